// The day's check of a bench that was calibrated: unchanged, or changed in one way since.
#include "measure/bench_check.h"

#include <doctest/doctest.h>

#include <cmath>
#include <memory>

#include "bench_run.h"
#include "findings/check.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr MeterAccuracy kVoltmeter{0.8, 0.5, 0.001};

Scenario with_parts(std::uint64_t seed) {
  Scenario scenario = larkfield("as-left");
  scenario.parts = random_parts(seed, scenario.ranges.size());
  return scenario;
}

struct Hand : ScriptedOperator {
  explicit Hand(SimulatedBench& bench) {
    on_wiring = [&bench](Wiring wiring) { bench.set_wiring(wiring); };
    on_meter = [&bench](const MeterPoint& point) { return bench.meter_reading(point); };
  }
};

/// The profile of this scenario's bench, its high range calibrated with its own meter.
Profile calibrated(const Scenario& scenario) {
  Profile profile =
      read_profile(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/simulated-bench.toml");
  auto stream = std::make_unique<SimulatedBench>(scenario, SampleRate{48000});
  SimulatedBench& bench = *stream;
  Session session(std::move(stream), Chain(profile, "high"), {});
  Hand hand(bench);
  ScriptedProgress progress;
  InputCalibrationSettings settings;
  settings.meter = kVoltmeter;
  profile.ranges[0].calibration = calibrate_input(session, settings, hand, progress);
  return profile;
}

BenchCheckSettings levels_only() {
  BenchCheckSettings settings;
  settings.checks_stream = false;
  return settings;
}

Findings check(const Scenario& scenario, const Profile& profile,
               const BenchCheckSettings& settings = levels_only(), double meter_factor = 1) {
  auto stream = std::make_unique<SimulatedBench>(scenario, SampleRate{48000});
  SimulatedBench& bench = *stream;
  Session session(std::move(stream), Chain(profile, "high"), {});
  Hand hand(bench);
  hand.on_meter = [&](const MeterPoint& point) {
    return meter_factor * bench.meter_reading(point);
  };
  ScriptedProgress progress;
  const Findings findings = check_bench(session, settings, hand, progress);
  CHECK(problems_of(findings) == std::vector<std::string>{});
  CHECK_FALSE(session.is_playing());
  return findings;
}

double value(const Findings& findings, const std::string& key, Unit unit) {
  const Reading* reading = find_reading(findings, key, "left", unit);
  REQUIRE(reading != nullptr);
  REQUIRE(reading->value);
  return *reading->value;
}

}  // namespace

TEST_CASE("check: an unchanged bench agrees, stream and all") {
  const Scenario scenario = with_parts(7);
  BenchCheckSettings settings;
  settings.meter = kVoltmeter;
  settings.stream.steady_s = 3;
  const Findings findings = check(scenario, calibrated(scenario), settings);
  for (const Caution& caution : findings.cautions) CAPTURE(caution.text);
  CHECK(findings.cautions.empty());
  CHECK_FALSE(refutes_bench(findings));
  // Noise at -29 dBFS over 2 s: some 1e-5.
  CHECK(within(value(findings, "difference", Unit::kDb), 0, 0.001));
  // The same meter again: apart by its display's step, half a digit of 1.4 V, of 0.8 % each.
  CHECK(std::abs(value(findings, "en", Unit::kRatio)) < 0.1);
}

TEST_CASE(
    "check: a control that moved by 0.1 dB refutes the bench, one within stability does not") {
  const Scenario scenario = with_parts(8);
  const Profile profile = calibrated(scenario);
  Scenario moved = scenario;
  // Stability is 0.1 %, on output and input: 0.0005 dB more is still possible, 0.1 dB is not.
  moved.parts.input_scale[0] *= 1.0005;
  CHECK_FALSE(refutes_bench(check(moved, profile)));
  moved.parts.input_scale[0] = scenario.parts.input_scale[0] * std::pow(10, 0.1 / 20);
  const Findings findings = check(moved, profile);
  CHECK(has_caution(findings, "bench_disagrees"));
  CHECK(refutes_bench(findings));
  // A larger full scale reads lower.
  CHECK(within(value(findings, "difference", Unit::kDb), -0.1, 0.001));
}

TEST_CASE("check: the meter has the last word") {
  const Scenario scenario = with_parts(9);
  const Profile profile = calibrated(scenario);
  BenchCheckSettings settings = levels_only();
  settings.meter = kVoltmeter;
  // The same meter errs alike twice: what is left is its display and the sound card's 0.1 %.
  CHECK_FALSE(refutes_bench(check(scenario, profile, settings, 1.001)));
  CHECK(refutes_bench(check(scenario, profile, settings, 1.005)));
  const Findings findings = check(scenario, profile, settings, 1.03);
  CHECK(has_caution(findings, "bench_disagrees"));
  CHECK(value(findings, "en", Unit::kRatio) < -1);
  // Two meters of +-0.8 and 0.7 %: 1.03 apart cannot be, 1.005 can.
  settings.meter->percent = 0.7;
  CHECK_FALSE(refutes_bench(check(scenario, profile, settings, 1.005)));
  CHECK(refutes_bench(check(scenario, profile, settings, 1.03)));
}

TEST_CASE("check: a meter that reads nothing is no reading") {
  const Scenario scenario = with_parts(9);
  const Profile profile = calibrated(scenario);
  BenchCheckSettings settings = levels_only();
  settings.meter = kVoltmeter;
  CHECK(code_of([&] { (void)check(scenario, profile, settings, 0); }) == ExitCode::kRefused);
}

TEST_CASE("check: a range calibrated through a unit is held against the calibrated output") {
  const Scenario scenario = with_parts(13);
  Profile profile = calibrated(scenario);
  ScaleCalibrations played = profile.ranges[0].calibration.value();
  for (std::optional<ScaleCalibration>& output : played.channels) {
    // What the output gave when the range was read in the same loop.
    output->full_scale_vrms = output->meter_v / amplitude_ratio_of_db(played.drive_dbfs);
  }
  profile.output_calibration = played;
  profile.ranges[0].calibration->is_through_unit = true;
  const Findings findings = check(scenario, profile);
  CHECK_FALSE(has_caution(findings, "bench_disagrees"));
  CHECK(find_reading(findings, "difference", "left", Unit::kDb)->uncertainty);
  Scenario moved = scenario;
  moved.parts.input_scale[0] *= std::pow(10, 0.1 / 20);
  CHECK(has_caution(check(moved, profile), "bench_disagrees"));
  // Without it the output is nominal: 1.5 dB may be its parts.
  profile.output_calibration.reset();
  CHECK_FALSE(has_caution(check(moved, profile), "bench_disagrees"));
}

TEST_CASE("check: cut while it reads, it says so") {
  const Scenario scenario = with_parts(14);
  BenchRun run(scenario);
  ScriptedOperator person;
  person.on_wiring = [&](Wiring wiring) { run.bench().set_wiring(wiring); };
  int loud_reads = 0;
  run.watched->before_read = [&] {
    if (run.session->drive_dbfs() < -30 || ++loud_reads != 8) return;
    run.watched->change = [](double& left, double& right) {
      left *= 5;
      right *= 5;
    };
  };
  ScriptedProgress progress;
  std::string text;
  try {
    (void)check_bench(*run.session, levels_only(), person, progress);
  } catch (const Error& error) {
    text = error.what();
  }
  CHECK(text.find("was cut") != std::string::npos);
}

TEST_CASE("check: another device, an old calibration, none at all") {
  const Scenario scenario = with_parts(10);
  const Profile profile = calibrated(scenario);
  Profile foreign = profile;
  foreign.ranges[0].calibration->device = "another sound card";
  CHECK(refutes_bench(check(scenario, foreign)));
  CHECK(has_caution(check(scenario, foreign), "foreign_profile"));

  Profile other_rate = profile;
  REQUIRE(other_rate.ranges[0].calibration->sample_rate_hz == 48000);
  other_rate.ranges[0].calibration->sample_rate_hz = 44100;
  CHECK(has_caution(check(scenario, other_rate), "foreign_profile"));
  other_rate.ranges[0].calibration->sample_rate_hz.reset();  // an older profile states none
  CHECK_FALSE(has_caution(check(scenario, other_rate), "foreign_profile"));

  Profile old = profile;
  old.ranges[0].calibration->date = "2001-02-03";
  const Findings stale = check(scenario, old);
  CHECK(has_caution(stale, "stale_profile"));
  CHECK_FALSE(refutes_bench(stale));

  Profile old_load = profile;
  old_load.load.calibration = LoadCalibration{"2001-02-03", kVoltmeter, {8, 8}};
  CHECK(has_caution(check(scenario, old_load), "stale_profile"));

  Profile nominal = profile;
  nominal.ranges[0].calibration.reset();
  const Findings uncalibrated = check(scenario, nominal);
  CHECK(has_caution(uncalibrated, "not_calibrated"));
  const Reading* level = find_reading(uncalibrated, "level", "left", Unit::kVolt);
  REQUIRE(level != nullptr);
  CHECK_FALSE(level->uncertainty);
}

TEST_CASE("check: nothing comes back, and an operator who says no") {
  const Scenario scenario = with_parts(11);
  const Profile profile = calibrated(scenario);
  for (const bool consents : {true, false}) {
    auto stream = std::make_unique<SimulatedBench>(scenario, SampleRate{48000});
    SimulatedBench& bench = *stream;
    Session session(std::move(stream), Chain(profile, "high"), {});
    Hand hand(bench);
    hand.consents = consents;
    hand.on_wiring = [&bench](Wiring) { bench.set_wiring(Wiring::kTerminated); };
    ScriptedProgress progress;
    CHECK(code_of([&] { (void)check_bench(session, levels_only(), hand, progress); }) ==
          ExitCode::kRefused);
    CHECK_FALSE(session.is_playing());
  }
}

TEST_CASE("every result says when its profile was made with another device or at another rate") {
  const Scenario scenario = with_parts(13);
  const Profile own = calibrated(scenario);
  Profile other = own;
  other.ranges[0].calibration->device = "another sound card";
  Profile faster = own;
  faster.ranges[0].calibration->sample_rate_hz = 96000;
  for (const auto& [profile, count] :
       {std::pair{own, 0}, std::pair{other, 1}, std::pair{faster, 1}}) {
    Session session(std::make_unique<SimulatedBench>(scenario, SampleRate{48000}),
                    Chain(profile, "high"), {});
    session.play({997}, -40);
    session.settle(0.1);
    const Findings findings = session.measure_tone(session.capture(0.2), {997});
    CHECK(std::count_if(findings.cautions.begin(), findings.cautions.end(),
                        [](const Caution& one) { return one.code == "foreign_profile"; }) == count);
  }
}

TEST_CASE("check: an amplifier left in the way is heard in a whisper") {
  const Scenario scenario = with_parts(12);
  const Profile profile = calibrated(scenario);
  BenchRun run(scenario);
  run.bench().set_volume_db(0);
  ScriptedOperator person;  // says it is wired, and is not
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)check_bench(*run.session, levels_only(), person, progress); }) ==
        ExitCode::kRefused);
  CHECK_FALSE(run.session->is_playing());
  // 43.5 dB of gain on 0.02 V: no more than 3 V, a watt and a bit.
  for (const double watts : run.journal.watts(0, 20)) CHECK(watts < 1.2);
}

}  // namespace sinewright
