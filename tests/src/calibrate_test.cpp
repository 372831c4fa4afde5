// Calibrating the simulated bench with its own meter: what is found against what its parts truly
// are, and every refusal.
#include "measure/calibrate.h"

#include <doctest/doctest.h>

#include <cmath>
#include <memory>
#include <string>

#include "bench_run.h"
#include "device/bench_parts.h"
#include "within.h"

namespace sinewright {
namespace {

Scenario with_parts(std::uint64_t seed) {
  Scenario scenario = larkfield("as-left");
  scenario.parts = random_parts(seed, scenario.ranges.size());
  return scenario;
}

/// The meter that random_parts() draws: its bound, and its display's step.
constexpr MeterAccuracy kVoltmeter{0.8, 0.5, 0.001};
constexpr MeterAccuracy kOhmmeter{0.5, 0.5, 0.01};
constexpr MeterAccuracy kPerfect{0, 0, 0};

/// Meter and wiring done by the bench itself.
struct Hand : ScriptedOperator {
  explicit Hand(SimulatedBench& bench) {
    on_wiring = [&bench, this](Wiring wiring) {
      wirings.push_back(wiring);
      bench.set_wiring(wiring);
    };
    on_meter = [&bench](const MeterPoint& point) { return bench.meter_reading(point); };
    on_turning = [&bench](const std::string& text) {
      if (text.starts_with("enough")) return true;
      const double step_db = text.starts_with("turn the volume down") ? -1 : 1;
      bench.set_volume_db(std::clamp(bench.volume_db() + step_db, -120.0, 0.0));
      return false;
    };
  }
  std::vector<Wiring> wirings;
};

InputCalibrationSettings against(const MeterAccuracy& meter) {
  InputCalibrationSettings settings;
  settings.meter = meter;
  return settings;
}

double true_full_scale_vrms(const Scenario& scenario, std::size_t range, std::size_t channel) {
  return scenario.sound_card.input_full_scale_vrms * scenario.parts.input_scale[channel] *
         scenario.ranges[range].ratio * scenario.parts.ratio(range)[channel];
}

std::optional<ExitCode> refusal_of_input(BenchRun& run, ScriptedOperator& person,
                                         const InputCalibrationSettings& settings) {
  ScriptedProgress progress;
  return code_of([&] { (void)calibrate_input(*run.session, settings, person, progress); });
}

}  // namespace

TEST_CASE("input: full scale is the true one within the meter's bound, whatever the parts") {
  for (const std::uint64_t seed : {1, 2, 3}) {
    CAPTURE(seed);
    const Scenario scenario = with_parts(seed);
    for (std::size_t range = 0; range < 2; ++range) {
      BenchRun run(scenario, scenario.ranges[range].name);
      Hand hand(run.bench());
      ScriptedProgress progress;
      const ScaleCalibrations found =
          calibrate_input(*run.session, against(kVoltmeter), hand, progress);
      for (std::size_t c = 0; c < 2; ++c) {
        REQUIRE(found.channels[c]);
        const ScaleCalibration& one = *found.channels[c];
        const double truth = true_full_scale_vrms(scenario, range, c);
        const double bound = kVoltmeter.half_width(one.meter_v) / one.meter_v;
        // The level's own noise on top: some 1e-6 on the high range.
        CHECK(within(one.full_scale_vrms / truth, 1, bound + 1e-4));
        // Away from the truth by what the meter is wrong: or nothing was calibrated.
        CHECK(within(one.full_scale_vrms / truth, scenario.parts.voltmeter_gain,
                     0.0006 / one.meter_v + 1e-4));
        CHECK(one.repeatability < 1e-3);
      }
      CHECK(hand.wirings == std::vector<Wiring>{Wiring::kDividerTop});
      CHECK_FALSE(run.session->is_playing());
    }
  }
}

TEST_CASE("input: a perfect meter gives full scale to 1 part in 10000") {
  Scenario scenario = with_parts(4);
  scenario.parts.voltmeter_gain = 1;
  scenario.parts.volt_resolution = 0;
  BenchRun run(scenario);
  Hand hand(run.bench());
  ScriptedProgress progress;
  const ScaleCalibrations found = calibrate_input(*run.session, against(kPerfect), hand, progress);
  for (std::size_t c = 0; c < 2; ++c) {
    REQUIRE(found.channels[c]);
    CHECK(
        within(found.channels[c]->full_scale_vrms / true_full_scale_vrms(scenario, 0, c), 1, 1e-4));
  }
  CHECK(progress.is_in_range);
}

TEST_CASE("input: at the terminals it comes to the same, below 1 W") {
  Scenario scenario = with_parts(5);
  scenario.parts.voltmeter_gain = 1;
  scenario.parts.volt_resolution = 0;
  BenchRun run(scenario);
  run.bench().set_volume_db(-60);
  Hand hand(run.bench());
  ScriptedProgress progress;
  InputCalibrationSettings settings = against(kPerfect);
  settings.at = CalibratedAt::kTerminals;
  const ScaleCalibrations found = calibrate_input(*run.session, settings, hand, progress);
  for (std::size_t c = 0; c < 2; ++c) {
    REQUIRE(found.channels[c]);
    CHECK(
        within(found.channels[c]->full_scale_vrms / true_full_scale_vrms(scenario, 0, c), 1, 3e-4));
    for (const double watts : run.journal.watts(c, 20)) CHECK(watts < 1.2);
  }
  CHECK(hand.wirings == std::vector<Wiring>{Wiring::kUnit});
  CHECK(hand.asked.front().find("chassis") != std::string::npos);  // the checklist
}

TEST_CASE("input: a channel that is skipped stays uncalibrated; both skipped are refused") {
  BenchRun run("as-left");
  Hand hand(run.bench());
  SimulatedBench& bench = run.bench();
  hand.on_meter = [&bench](const MeterPoint& point) -> std::optional<double> {
    if (point.channel == 1) return std::nullopt;
    return bench.meter_reading(point);
  };
  ScriptedProgress progress;
  const ScaleCalibrations found =
      calibrate_input(*run.session, against(kVoltmeter), hand, progress);
  CHECK(found.channels[0]);
  CHECK_FALSE(found.channels[1]);
  hand.on_meter = nullptr;
  CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
}

TEST_CASE("input: readings that cannot be are refused, and the tone ends") {
  for (const double factor : {0.0, 0.001, 1000.0, 1.6, 1 / 1.6, -1.0}) {
    CAPTURE(factor);
    BenchRun run("as-left");
    Hand hand(run.bench());
    SimulatedBench& bench = run.bench();
    hand.on_meter = [&bench, factor](const MeterPoint& point) {
      return factor * bench.meter_reading(point);
    };
    CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
    CHECK_FALSE(run.session->is_playing());
  }
}

TEST_CASE("input: the wrong range, a dead channel and a declined wiring are refused") {
  {
    BenchRun run("as-left", "high");
    run.bench().set_range("low");
    Hand hand(run.bench());
    CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
    CHECK(run.journal.highest_played() < 0.011);  // never above -40 dBFS
  }
  {
    BenchRun run("as-left", "low");
    run.bench().set_range("high");
    Hand hand(run.bench());
    CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
  }
  {
    BenchRun run("as-left");
    Hand hand(run.bench());
    hand.on_wiring = [&run](Wiring) { run.bench().set_wiring(Wiring::kTerminated); };
    CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
  }
  {
    BenchRun run("as-left");
    Hand hand(run.bench());
    hand.consents = false;
    CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
    CHECK(run.journal.highest_played() == 0);
  }
}

TEST_CASE("input: an amplifier left in the way never gets more than the first, faint tone") {
  BenchRun run("as-left");
  run.bench().set_volume_db(0);
  Hand hand(run.bench());
  hand.on_wiring = [](Wiring) {};  // said to be done, and not done: the unit is still there
  CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
  CHECK(run.journal.highest_played() < 0.011);
}

TEST_CASE("input: a level that moves while the meter is read is refused") {
  BenchRun run("as-left");
  Hand hand(run.bench());
  SimulatedBench& bench = run.bench();
  hand.on_meter = [&](const MeterPoint& point) -> std::optional<double> {
    const double reading = bench.meter_reading(point);
    if (point.channel == 0) run.watched->change = [](double& left, double&) { left *= 1.01; };
    return reading;
  };
  CHECK(refusal_of_input(run, hand, against(kVoltmeter)) == ExitCode::kRefused);
}

TEST_CASE("input: interrupted, it ends silent and yields nothing") {
  BenchRun run("as-left");
  Hand hand(run.bench());
  ScriptedProgress progress(1);
  CHECK(code_of([&] {
          (void)calibrate_input(*run.session, against(kVoltmeter), hand, progress);
        }) == ExitCode::kFailure);
  CHECK_FALSE(run.session->is_playing());
}

TEST_CASE("input: swapped leads and mono systems are named") {
  const auto refusal_with = [](auto change) {
    BenchRun run("as-left");
    run.watched->change = change;
    Hand hand(run.bench());
    ScriptedProgress progress;
    try {
      (void)calibrate_input(*run.session, against(kVoltmeter), hand, progress);
    } catch (const Error& error) {
      return std::string(error.what());
    }
    return std::string();
  };
  CHECK(refusal_with([](double& left, double& right) {
          std::swap(left, right);
        }).find("swap the leads") != std::string::npos);
  CHECK(refusal_with([](double& left, double& right) {
          left = right = left + right;
        }).find("mono") != std::string::npos);
  CHECK(refusal_with([](double&, double& right) { right = 0; }).find("right does not come back") !=
        std::string::npos);
}

TEST_CASE("output: volts at full scale are the true ones") {
  Scenario scenario = with_parts(6);
  BenchRun run(scenario);
  Hand hand(run.bench());
  ScriptedProgress progress;
  const ScaleCalibrations found =
      calibrate_output(*run.session, CalibrationTone{}, kVoltmeter, hand, progress);
  for (std::size_t c = 0; c < 2; ++c) {
    REQUIRE(found.channels[c]);
    const double truth =
        scenario.sound_card.output_full_scale_vrms * scenario.parts.output_scale[c];
    CHECK(within(found.channels[c]->full_scale_vrms / truth, scenario.parts.voltmeter_gain, 6e-4));
    CHECK(within(found.channels[c]->full_scale_vrms / truth, 1, 0.0085));
  }
}

TEST_CASE("output: what is not heard at -40 dBFS is not played louder") {
  const auto highest_with = [](Wiring truly, std::array<double, 2> factor) {
    BenchRun run("as-left");
    run.bench().set_volume_db(-120);
    Hand hand(run.bench());
    hand.on_wiring = [&](Wiring) { run.bench().set_wiring(truly); };
    run.watched->change = [factor](double& left, double& right) {
      left *= factor[0];
      right *= factor[1];
    };
    ScriptedProgress progress;
    CHECK(code_of([&] {
            (void)calibrate_output(*run.session, CalibrationTone{}, kVoltmeter, hand, progress);
          }) == ExitCode::kRefused);
    return run.journal.highest_played();
  };
  constexpr double kWhisper = 0.0101;  // -40 dBFS
  CHECK(highest_with(Wiring::kTerminated, {1, 1}) <= kWhisper);
  CHECK(highest_with(Wiring::kDividerTop, {1, 0}) <= kWhisper);
}

TEST_CASE("calibrations: the sample rate is kept") {
  BenchRun run("as-left");
  Hand hand(run.bench());
  ScriptedProgress progress;
  CHECK(calibrate_output(*run.session, CalibrationTone{}, kVoltmeter, hand, progress)
            .sample_rate_hz == 48000);
}

TEST_CASE("load: ohms less the leads") {
  const Scenario scenario = with_parts(7);
  BenchRun run(scenario);
  Hand hand(run.bench());
  LoadCalibrationSettings settings;
  settings.meter = kOhmmeter;
  const LoadCalibration found = calibrate_load(settings, 8, hand);
  for (std::size_t c = 0; c < 2; ++c) {
    const double truth = scenario.load_ohm * scenario.parts.load_scale[c];
    CHECK(within(found.resistance_ohm[c], truth, 0.005 * truth + 0.01));
    // Two displays of half a step each.
    CHECK(within(found.resistance_ohm[c], truth * scenario.parts.ohmmeter_gain, 0.0101));
  }
  CHECK(within(found.lead_ohm, scenario.parts.lead_ohm, 0.006 + 0.005 * scenario.parts.lead_ohm));
  CHECK(found.temperature_rise_k == 60);
}

TEST_CASE("load: what cannot be is refused") {
  const auto code_with = [](double leads, double left, double right) {
    ScriptedOperator person;
    person.on_meter = [=](const MeterPoint& point) -> std::optional<double> {
      if (point.place == MeterPoint::Place::kLeads) return leads;
      return point.channel == 0 ? left : right;
    };
    return code_of([&] { (void)calibrate_load({kOhmmeter}, 8, person); });
  };
  CHECK(code_with(0.1, 8.1, 8.2) == std::nullopt);
  CHECK(code_with(0.1, 8100, 8.2) == ExitCode::kRefused);
  CHECK(code_with(0.1, 8.1, 0.1) == ExitCode::kRefused);
  CHECK(code_with(0.1, 8.1, 4.0) == ExitCode::kRefused);
  CHECK(code_with(8.1, 8.1, 8.1) == ExitCode::kRefused);
  ScriptedOperator nobody;
  CHECK(code_of([&] { (void)calibrate_load({kOhmmeter}, 8, nobody); }) == ExitCode::kRefused);
}

}  // namespace sinewright
