// Does the uncertainty hold? Prints the table over random benches, and exits with 1 when an aim is
// missed.
//
//   sinewright_coverage [BENCHES]     500 without
//
// For a finite number of benches each aim is widened by three standard deviations of its estimate.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <charconv>
#include <cmath>
#include <exception>
#include <iostream>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "comparison.h"
#include "full_bench.h"

namespace sinewright {
namespace {

constexpr double kRmsLow = 0.97, kRmsHigh = 1.03;
constexpr double kLeastCoverage = 0.95;
constexpr double kWidest = 1.2;
constexpr std::uint64_t kReferenceEvery = 4;

/// What is asked of a quantity; the others are shown only.
struct Row {
  Quantity quantity;
  const char* name;
  bool has_rms_aim, has_coverage_aim, has_width_aim;
};

constexpr std::array<Row, static_cast<std::size_t>(Quantity::kCount)> kRows = {{
    {Quantity::kVolts, "volts", true, true, true},
    {Quantity::kWatts, "watts", true, true, true},
    {Quantity::kBalance, "balance", true, true, true},
    {Quantity::kResponse, "response, between the loopback's frequencies", true, true, true},
    {Quantity::kResponseAtTone, "response, at one of them", false, true, false},
    {Quantity::kThd, "THD, one harmonic leads", true, true, true},
    {Quantity::kThdLimited, "the same, limited by the sound card: interval", true, true, true},
    {Quantity::kThdSeveral, "THD, four harmonics, residual rises with level", false, true, false},
    {Quantity::kThdAlike, "THD, both converters distort alike", true, true, false},
    {Quantity::kThdN, "THD+N, one harmonic leads", true, true, true},
    {Quantity::kThdNLimited, "the same, limited by the sound card: interval", true, true, true},
    {Quantity::kThdNSeveral, "THD+N, four harmonics, residual rises with level", false, true,
     false},
    {Quantity::kThdNAlike, "THD+N, both converters distort alike", true, true, false},
}};

struct Summary {
  std::size_t count = 0;
  double rms = 0, rms_deviation = 0;
  double coverage = 0, coverage_deviation = 0;
  double width_ratio = 0;
  double k = 0;
};

Summary summarize(const std::vector<Comparison>& all, Quantity quantity) {
  Summary summary;
  double squares = 0, fourths = 0, covered = 0, width = 0, reference = 0, k = 0, with_k = 0;
  for (const Comparison& one : all) {
    if (one.quantity != quantity) continue;
    ++summary.count;
    const double square = std::pow(one.error / one.standard, 2);
    squares += square;
    fourths += square * square;
    covered += one.is_covered ? 1 : 0;
    if (one.k > 0) {
      k += one.k;
      ++with_k;
    }
    if (!one.reference_width) continue;
    width += one.width;
    reference += *one.reference_width;
  }
  if (summary.count == 0) return summary;
  const auto n = static_cast<double>(summary.count);
  summary.rms = std::sqrt(squares / n);
  const double variance = std::max(0.0, fourths / n - std::pow(squares / n, 2));
  summary.rms_deviation = std::sqrt(variance / n) / (2 * summary.rms);
  summary.coverage = covered / n;
  summary.coverage_deviation = std::sqrt(kLeastCoverage * (1 - kLeastCoverage) / n);
  summary.width_ratio = reference > 0 ? width / reference : 0;
  summary.k = with_k > 0 ? k / with_k : 0;
  return summary;
}

bool is_met(const Row& row, const Summary& summary) {
  const double rms_margin = 3 * summary.rms_deviation;
  const bool has_rms = summary.rms >= kRmsLow - rms_margin && summary.rms <= kRmsHigh + rms_margin;
  const bool has_coverage = summary.coverage >= kLeastCoverage - 3 * summary.coverage_deviation;
  const bool has_width = summary.width_ratio > 0 && summary.width_ratio <= kWidest;
  return summary.count > 0 && (!row.has_rms_aim || has_rms) &&
         (!row.has_coverage_aim || has_coverage) && (!row.has_width_aim || has_width);
}

int print_table(const std::vector<Comparison>& all) {
  std::cout << "| quantity | readings | rms(error / u) | coverage, % | width / JCGM 101 | mean k | "
               "|\n| --- | --- | --- | --- | --- | --- | --- |\n";
  int missed = 0;
  for (const Row& row : kRows) {
    const Summary summary = summarize(all, row.quantity);
    const bool has_aim = row.has_rms_aim || row.has_coverage_aim || row.has_width_aim;
    const bool met = is_met(row, summary);
    if (has_aim && !met) ++missed;
    std::cout << fmt::format(
        "| {} | {} | {:.3f} ± {:.3f} | {:.1f} | {} | {} | {} |\n", row.name, summary.count,
        summary.rms, summary.rms_deviation, 100 * summary.coverage,
        summary.width_ratio > 0 ? fmt::format("{:.2f}", summary.width_ratio) : "–",
        summary.k > 0 ? fmt::format("{:.2f}", summary.k) : "–",
        !has_aim ? "no aim"
        : met    ? "met"
                 : "MISSED");
  }
  return missed;
}

std::vector<Comparison> try_benches(std::uint64_t count) {
  std::vector<Comparison> all;
  std::mutex mutex;
  std::atomic<std::uint64_t> next = 1;
  std::exception_ptr failure;
  const auto work = [&] {
    try {
      for (std::uint64_t number = next++; number <= count; number = next++) {
        const std::vector<Comparison> found = try_bench(number, number % kReferenceEvery == 0);
        const std::lock_guard lock(mutex);
        all.insert(all.end(), found.begin(), found.end());
      }
    } catch (...) {
      const std::lock_guard lock(mutex);
      failure = std::current_exception();
      next = count + 1;
    }
  };
  std::vector<std::jthread> workers;
  for (unsigned i = 0; i < std::max(1U, std::thread::hardware_concurrency()); ++i) {
    workers.emplace_back(work);
  }
  workers.clear();
  if (failure) std::rethrow_exception(failure);
  return all;
}

int run(std::uint64_t benches) {
  int missed = print_table(try_benches(benches));
  if (!full_benches_hold()) ++missed;
  if (missed > 0) std::cout << missed << " missed\n";
  return missed == 0 ? 0 : 1;
}

}  // namespace
}  // namespace sinewright

int main(int argc, char** argv) {
  std::uint64_t benches = 500;
  const std::string given = argc > 1 ? argv[1] : "500";
  const auto [end, error] = std::from_chars(given.data(), given.data() + given.size(), benches);
  if (argc > 2 || error != std::errc() || end != given.data() + given.size() || benches < 100) {
    std::cerr << "usage: sinewright_coverage [BENCHES], 100 or more\n";
    return 2;
  }
  try {
    return sinewright::run(benches);
  } catch (const std::exception& failure) {
    std::cerr << "sinewright_coverage: " << failure.what() << "\n";
    return 1;
  }
}
