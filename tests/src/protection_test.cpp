// Runs that the load's heat, an open load or a stalled device shape: what is played, what is kept.
// clang-format off: before the headers whose kLeft its Driven would shadow
#include "measure/power.h"
// clang-format on

#include <doctest/doctest.h>

#include <memory>
#include <string>
#include <vector>

#include "bench_run.h"
#include "loop_check.h"
#include "looped_bench.h"
#include "measure/reading.h"

namespace sinewright {
namespace {

constexpr double kFullPower = 1;  // gain: 0 dBFS give 200 W
constexpr double kRated_w = 90;
constexpr double kRated_s = 2;
constexpr double kContinuous_w = 20;

Profile briefly_rated() {
  Profile profile = looped_profile(80);
  profile.load.rated_w = kRated_w;
  profile.load.rated_s = kRated_s;
  profile.load.continuous_w = kContinuous_w;
  return profile;
}

/// The hottest that the load gets: dh/dt = (P / continuous - h) / tau, in small steps. A second and
/// obvious way beside LoadHeat.
double highest_heat(const LoopLog& log) {
  const double tau_s = -kRated_s / std::log(1 - kContinuous_w / kRated_w);
  double heat = 0;
  double highest = 0;
  std::int64_t before = 0;
  for (std::size_t k = 0; k < log.watts.size(); ++k) {
    const double seconds =
        static_cast<double>(log.played_before[k] - before) / LoopedBench::kRate_hz;
    before = log.played_before[k];
    constexpr int kParts = 20;
    for (int part = 0; part < kParts; ++part) {
      heat += (log.watts[k] / kContinuous_w - heat) / tau_s * seconds / kParts;
    }
    highest = std::max(highest, heat);
  }
  return highest;
}

/// Keeps what it is told.
class TellingProgress final : public Progress {
 public:
  void report(double, const std::string& what) override { told.push_back(what); }
  [[nodiscard]] bool is_cancelled() const override { return false; }
  [[nodiscard]] bool has_told(const std::string& part) const {
    return std::any_of(told.begin(), told.end(),
                       [&](const std::string& one) { return one.find(part) == 0; });
  }
  std::vector<std::string> told;
};

PowerSettings confirmed() {
  PowerSettings settings;
  settings.is_confirmed = true;
  settings.has_guidance = false;
  return settings;
}

bool ends_silent(const Journal& journal) {
  constexpr std::size_t kSamples = 960;  // 10 ms of both channels
  return journal.played.size() > kSamples &&
         std::all_of(journal.played.end() - kSamples, journal.played.end(),
                     [](double x) { return x == 0; });
}

TEST_CASE("power rests where the load asks for it, and reaches its limit all the same") {
  LoopLog log;
  TellingProgress progress;
  std::vector<Findings> all;
  {
    Session session(std::make_unique<LoopedBench>(kFullPower, log), Chain(briefly_rated(), ""), {});
    ScriptedOperator person;
    PowerSettings settings = confirmed();
    settings.from_w = 10;
    settings.step_db = 1.5;
    settings.frequencies_hz = {997, 2000};
    all = run_power(session, settings, progress, person);
  }
  REQUIRE(all.size() == 2);
  for (const Findings& findings : all) {
    CHECK(has_caution(findings, "power_limit"));
    CHECK_FALSE(has_caution(findings, "over_limit"));
    CHECK(find_curve(findings, "thd_n", "left")->points.size() >= 6);
    CHECK(*value_of(findings, "highest_output", "left", Unit::kWatt) > 0.99 * 80);
  }
  CHECK(progress.has_told("load cools, "));
  CHECK(highest_heat(log) <= 1);
  // Hot enough that it would have been too hot without a rest: or nothing was tested.
  CHECK(highest_heat(log) > 0.7);
  check_ramps(log, 2000);
}

TEST_CASE("power the load never stands long enough for one step ends the climb, and keeps points") {
  LoopLog log;
  TellingProgress progress;
  Profile profile = briefly_rated();
  profile.load.rated_s = 0.2;
  Session session(std::make_unique<LoopedBench>(kFullPower, log), Chain(profile, ""), {});
  ScriptedOperator person;
  PowerSettings settings = confirmed();
  settings.from_w = 5;
  const std::vector<Findings> all = run_power(session, settings, progress, person);
  REQUIRE(all.size() == 1);
  REQUIRE(has_caution(all[0], "over_limit"));
  CHECK(all[0].cautions.back().text.find("even rested") != std::string::npos);
  CHECK(find_curve(all[0], "thd_n", "left")->points.size() >= 3);
  CHECK_FALSE(session.is_playing());
}

TEST_CASE("reading on at more than the load's continuous power is cut before it is too hot") {
  LoopLog log;
  TellingProgress progress;
  int shown = 0;
  std::string text;
  {
    Session session(std::make_unique<LoopedBench>(kFullPower, log), Chain(briefly_rated(), ""), {});
    session.play({997}, -4);
    try {
      run_readings(session, {0.2, 100}, progress, [&](const Findings&) { ++shown; });
    } catch (const Error& refusal) {
      CHECK(refusal.code() == ExitCode::kRefused);
      text = refusal.what();
    }
  }
  CHECK(text.find("the load has had what it bears") != std::string::npos);
  // 79.6 W from cold: tau ln(3.98 / 2.98) = 2.30 s; the climb and the loop take some of it.
  CHECK(shown >= 7);
  CHECK(shown <= 12);
  // The block that shows it, the loop's delay and the ramp: 50 ms at four times the heat.
  CHECK(highest_heat(log) <= 1 + 0.05 * 3 / 7.9);
  CHECK(highest_heat(log) > 0.95);
  check_ramps(log, 997);
}

TEST_CASE("reading on at the load's continuous power is never cut") {
  LoopLog log;
  ScriptedProgress progress;
  Session session(std::make_unique<LoopedBench>(kFullPower, log), Chain(briefly_rated(), ""), {});
  session.play({997}, -10.1);  // 19.5 W
  run_readings(session, {1, 30}, progress, [](const Findings&) {});
  CHECK_FALSE(session.was_cut());
  CHECK(highest_heat(log) < 1);
}

TEST_CASE("a load that opens during a climb: a stiff output goes on, a soft one is stopped") {
  for (const double impedance_ohm : {0.1, 6.0}) {
    CAPTURE(impedance_ohm);
    Scenario scenario = larkfield("as-left");
    scenario.receiver.output_impedance_ohm = impedance_ohm;
    BenchRun run(scenario);
    run.bench().set_volume_db(-12);
    // Once the climb has passed 3 W.
    bool has_opened = false;
    run.watched->before_read = [&] {
      if (has_opened || run.watched->frames_read < 9600) return;
      const std::vector<double>& read = run.journal.read;
      double sum = 0;
      for (std::size_t i = read.size() - 1920; i < read.size(); i += 2) sum += read[i] * read[i];
      if (std::pow(std::sqrt(2 * sum / 960) * 40, 2) / 8 < 3) return;
      has_opened = true;
      run.bench().open_load(run.watched->frames_read + 100, kRight);
    };
    ScriptedOperator person;
    ScriptedProgress progress;
    PowerSettings settings = confirmed();
    settings.limit_w = 5;
    settings.step_db = 1;
    const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
    REQUIRE(all.size() == 1);
    CHECK(has_opened);
    CHECK(problems_of(all[0]).empty());
    CHECK(find_curve(all[0], "thd_n", "left")->points.size() >= 3);
    // 6 ohm into 8: 4.9 dB more at the terminals.
    CHECK(has_caution(all[0], "over_limit") == (impedance_ohm > 1));
    for (const std::size_t c : {kLeft, kRight}) {
      const std::vector<double> watts = run.journal.watts(c, 20);
      // 20 ms read, 21 ms of loop, a ramp, two windows cut at the ends.
      CHECK(std::count_if(watts.begin(), watts.end(), [](double w) { return w > 1.15 * 5; }) <= 5);
    }
    run.session.reset();
    CHECK(ends_silent(run.journal));
  }
}

TEST_CASE("a device that stalls during a climb: its points are kept, with the error") {
  BenchRun run("as-left");
  run.bench().stall(200000);
  ScriptedOperator person;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(*run.session, confirmed(), progress, person);
  REQUIRE(all.size() == 1);
  REQUIRE(has_caution(all[0], kDeviceFailed));
  CHECK(problems_of(all[0]).empty());
  CHECK(find_curve(all[0], "thd_n", "left")->points.size() >= 3);
  CHECK_FALSE(run.session->is_playing());
}

TEST_CASE("a device that stalls before the first point is an error, and no run") {
  BenchRun run("as-left");
  run.bench().stall(20000);
  ScriptedOperator person;
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)run_power(*run.session, confirmed(), progress, person); }) ==
        ExitCode::kDevice);
  CHECK_FALSE(run.session->is_playing());
}

}  // namespace
}  // namespace sinewright
