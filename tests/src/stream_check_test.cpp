// Streams that alter what they carry, each in one way, and one that does not.
#include "measure/stream_check.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>
#include <functional>

#include "bench_run.h"
#include "dsp/dither.h"
#include "played_stream.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kRate_hz = PlayedStream::kRate_hz;

/// Output wired to input with a delay of 1000 frames, and something in between.
class AlteringLoop final : public PlayedStream {
 public:
  /// Turns one frame as played into one as read; called for each in order.
  using Alteration = std::function<void(double& left, double& right)>;
  explicit AlteringLoop(Alteration alter) : alter_(std::move(alter)) { waiting_.assign(2000, 0.0); }
  [[nodiscard]] std::string name() const override { return "altering loop"; }
  [[nodiscard]] std::size_t read(std::span<double> samples) override {
    std::vector<double> out(samples.size());
    pull(out);
    waiting_.insert(waiting_.end(), out.begin(), out.end());
    for (std::size_t i = 0; i < samples.size(); i += 2) {
      double left = waiting_[0];
      double right = waiting_[1];
      waiting_.erase(waiting_.begin(), waiting_.begin() + 2);
      alter_(left, right);
      samples[i] = left;
      samples[i + 1] = right;
      if (loses_at > 0 && --loses_at == 0) waiting_.erase(waiting_.begin(), waiting_.begin() + 2);
    }
    return samples.size() / 2;
  }
  std::int64_t loses_at = 0;  // one frame vanishes after so many, and nobody is told

 private:
  Alteration alter_;
  std::deque<double> waiting_;
};

Findings check(AlteringLoop::Alteration alter, std::int64_t loses_at = 0) {
  auto stream = std::make_unique<AlteringLoop>(std::move(alter));
  stream->loses_at = loses_at;
  Session session(std::move(stream), std::nullopt, {});
  Findings findings = session.begin_findings("bench_check");
  ScriptedProgress progress;
  check_stream(session, {}, progress, findings);
  return findings;
}

std::vector<std::string> codes(const Findings& findings) {
  std::vector<std::string> all;
  for (const Caution& caution : findings.cautions) all.push_back(caution.code);
  std::sort(all.begin(), all.end());
  all.erase(std::unique(all.begin(), all.end()), all.end());
  return all;
}

double value(const Findings& findings, const std::string& key, Unit unit,
             const std::string& channel = "left") {
  const Reading* reading = find_reading(findings, key, channel, unit);
  REQUIRE(reading != nullptr);
  REQUIRE(reading->value);
  return *reading->value;
}

using Codes = std::vector<std::string>;

// One-pole low-pass: y += a (x - y).
struct LowPass {
  double coefficient;
  double state = 0;
  double operator()(double x) { return state += coefficient * (x - state); }
};

}  // namespace

TEST_CASE("a loop that leaves samples alone is called unaltered, at any gain") {
  const Findings findings = check([](double& left, double& right) {
    left *= 0.5;
    right *= -0.1;
  });
  CHECK(codes(findings) == Codes{});
  CHECK(within(value(findings, "linearity_faint", Unit::kDb), 0, 1e-9));
  CHECK(within(value(findings, "constancy", Unit::kDb), 0, 1e-6));
  CHECK(within(value(findings, "clock_difference", Unit::kPpm), 0, 1e-6));
  CHECK(within(value(findings, "top_of_band", Unit::kDb), 0, 1e-6));
  CHECK(value(findings, "resolution_bits", Unit::kCount, "pair") == 24);
}

TEST_CASE("integer samples: their bits are counted, and few are told") {
  for (const int bits : {16, 20, 24}) {
    CAPTURE(bits);
    Quantiser quantiser(bits, Dither::kTriangular, 1);
    const Findings findings = check([&](double& left, double& right) {
      std::array<double, 2> frame = {left, right};
      quantiser.process(frame);
      left = frame[0];
      right = frame[1];
    });
    CHECK(value(findings, "resolution_bits", Unit::kCount, "pair") == bits);
    CHECK(codes(findings) == (bits == 16 ? Codes{"coarse_samples"} : Codes{}));
  }
}

TEST_CASE("channels: swapped, mixed to mono") {
  CHECK(codes(check([](double& left, double& right) { std::swap(left, right); })) ==
        Codes{"channels_swapped"});
  CHECK(codes(check([](double& left, double& right) { left = right = (left + right) / 2; })) ==
        Codes{"mono_input"});
}

TEST_CASE("a limiter, an automatic gain, noise suppression") {
  CHECK(codes(check([](double& left, double& right) {
          left = 0.8 * std::tanh(left / 0.8);
          right = 0.8 * std::tanh(right / 0.8);
        })) == Codes{kStreamAltered});
  // Brings the envelope towards -20 dBFS within some seconds.
  double gain = 1;
  double envelope = 0;
  CHECK(codes(check([&](double& left, double& right) {
          envelope += 0.001 * (std::abs(left) * gain - envelope);
          gain *= 1 + 1e-6 * (0.064 - envelope) / 0.064;
          left *= gain;
          right *= gain;
        })) == Codes{kStreamAltered});
  // Fades what holds still for long: 0.02 dB a second.
  double faded = 1;
  CHECK(codes(check([&](double& left, double& right) {
          faded *= 1 - 0.0023 / kRate_hz;
          left *= faded;
          right *= faded;
        })) == Codes{kStreamAltered});
}

TEST_CASE("a low-pass below the top of the band, as resampling has") {
  LowPass left_filter{0.6};
  LowPass right_filter{0.6};
  CHECK(codes(check([&](double& left, double& right) {
          left = left_filter(left);
          right = right_filter(right);
        })) == Codes{kStreamAltered});
}

TEST_CASE("one frame lost without notice in the steady stretch") {
  // The stretch begins after some 5 s.
  const Findings findings = check([](double&, double&) {}, 8 * 48000);
  CHECK(codes(findings) == Codes{kStreamAltered});
  CHECK(find_reading(findings, "constancy", "left", Unit::kDb) != nullptr);
}

}  // namespace sinewright
