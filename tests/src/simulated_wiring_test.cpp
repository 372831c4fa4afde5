// The simulated bench wired to calibrate it, and the technician's meter.
#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <stdexcept>

#include "bench_probe.h"
#include "device/bench_truth.h"
#include "device/simulated_bench.h"
#include "within.h"

namespace sinewright {
namespace {

using Place = MeterPoint::Place;

constexpr double kDrive_dbfs = -3;
constexpr int kSettledTenths = 15;

/// As found, with its hum: what must not be heard away from the unit. Without random noise.
Scenario humming() {
  Scenario scenario = quiet(larkfield("as-found"));
  for (const std::size_t c : {kLeft, kRight}) {
    scenario.receiver.channels[c].hum = larkfield("as-found").receiver.channels[c].hum;
    for (SimulatedHumLine& line : scenario.receiver.channels[c].hum) line.level_vrms += 0.1;
  }
  scenario.mains_frequency_hz = 50;  // on the bins
  scenario.parts = random_parts(11, scenario.ranges.size());
  return scenario;
}

/// By the chain's closed form. The curves' third order bends the fundamental by 3/4 c3 A^2, 3e-5 dB
/// together; the input's high-pass of 1.2 Hz takes 6e-6 dB at 990 Hz.
constexpr double kLevel_db = 1e-4;

double output_vrms(const Scenario& scenario, std::size_t channel) {
  return scenario.sound_card.output_full_scale_vrms * scenario.parts.output_scale[channel] *
         amplitude_ratio_of_db(kDrive_dbfs);
}

double input_full_scale_vrms(const Scenario& scenario, std::size_t channel) {
  return scenario.sound_card.input_full_scale_vrms * scenario.parts.input_scale[channel];
}

struct WiringCase {
  Wiring wiring;
  std::size_t range;
  double rate_hz;
};

TEST_CASE("at the divider's top and in loopback the input has the level and delay of the chain") {
  for (const WiringCase& one :
       {WiringCase{Wiring::kDividerTop, 0, 48000}, WiringCase{Wiring::kDividerTop, 1, 44100},
        WiringCase{Wiring::kLoopback, 0, 48000}, WiringCase{Wiring::kLoopback, 1, 96000}}) {
    CAPTURE(one.range);
    CAPTURE(one.rate_hz);
    Scenario scenario = humming();
    scenario.receiver.input_noise_vrms = 1e-3;  // the unit's own must not be heard either: 1e-5
    SimulatedBench bench(scenario, {one.rate_hz});
    bench.set_range(scenario.ranges[one.range].name);
    bench.set_wiring(one.wiring);
    bench.play(std::make_shared<ExactTone>(990, one.rate_hz, kDrive_dbfs));
    settle(bench, kSettledTenths);
    const BenchCapture capture(bench);
    for (const std::size_t c : {kLeft, kRight}) {
      CAPTURE(c);
      const double ratio =
          one.wiring == Wiring::kLoopback
              ? 1
              : scenario.ranges[one.range].ratio * scenario.parts.ratio_scale[one.range][c];
      const double expected = output_vrms(scenario, c) / ratio / input_full_scale_vrms(scenario, c);
      const std::complex<double> found = capture.phasor(990, c);
      CHECK(within(db_of_amplitude_ratio(std::abs(found) / expected), 0, kLevel_db));
      // First-order high-pass, closed form; a delay off by 1/32 frame would turn it by 0.2 degree.
      const double high_pass_deg =
          std::atan(scenario.sound_card.input_high_pass_hz / 990) * 360 / kTwoPi;
      const double delay_deg =
          360.0 * 990 * static_cast<double>(bench.loop_delay_frames()) / one.rate_hz;
      const double phase_deg = std::arg(found) * 360 / kTwoPi + delay_deg;
      CHECK(within(std::remainder(phase_deg - high_pass_deg, 360), 0, 0.001));
      // No hum (0.1 V of it and more at the unit's terminals). 24-bit dither: -178 dB a bin.
      CHECK(std::abs(capture.phasor(100, c)) < 1e-7);
      CHECK(std::abs(capture.phasor(50, c)) < 1e-7);
    }
  }
}

TEST_CASE("the converters' curves stay in loopback: harmonics by their closed form") {
  // reference/thd_closed_forms.csv, header: h2 = a2 A^2 / 2. At a loop gain of 1 the curves add.
  Scenario scenario = quiet(larkfield("as-left"));
  SimulatedBench bench(scenario, {48000});
  bench.set_wiring(Wiring::kLoopback);
  bench.play(std::make_shared<ExactTone>(990, 48000, kDrive_dbfs));
  settle(bench, kSettledTenths);
  const BenchCapture capture(bench);
  const double gain =
      scenario.sound_card.output_full_scale_vrms / scenario.sound_card.input_full_scale_vrms;
  REQUIRE(gain == 1);
  const double peak = amplitude_ratio_of_db(kDrive_dbfs);
  const double second =
      scenario.sound_card.output_curve.second + scenario.sound_card.input_curve.second;
  // Dither of -178 dB a bin, peaks some 8 dB more, beside a harmonic at -117 dB: 0.02 dB.
  CHECK(within(db_of_amplitude_ratio(std::abs(capture.phasor(1980, kLeft)) /
                                     (std::abs(second) * peak * peak / 2)),
               0, 0.02));
}

TEST_CASE("terminated, the input has its own noise and nothing of what plays") {
  Scenario scenario = humming();
  scenario.sound_card.input_noise_dbfs = larkfield("as-left").sound_card.input_noise_dbfs;
  SimulatedBench bench(scenario, {48000});
  bench.play(std::make_shared<ExactTone>(990, 48000, kDrive_dbfs));
  settle(bench, 2);
  bench.set_wiring(Wiring::kTerminated);
  settle(bench, kSettledTenths);
  constexpr int kCaptures = 4;
  double square = 0;
  for (int k = 0; k < kCaptures; ++k) {
    const BenchCapture capture(bench);
    CHECK(std::abs(capture.phasor(990, kLeft)) < 1e-6);  // noise of a bin: 8e-8
    for (std::int64_t f = 20; f <= 20000; f += 10) {
      square += std::norm(capture.phasor(f, kLeft)) / kCaptures;
    }
  }
  // Relative to a full-scale sine; 24-bit dither stands 30 dB lower: 0.004 dB. Four deviations of
  // 2 * 1999 * 4 degrees of freedom: 0.28 dB.
  CHECK(
      within(db_of_amplitude_ratio(std::sqrt(square)), scenario.sound_card.input_noise_dbfs, 0.29));
}

TEST_CASE("wired back to the unit, the bench is what it was") {
  const Scenario scenario = humming();
  SimulatedBench bench(scenario, {48000});
  bench.set_volume_db(-21);
  bench.play(std::make_shared<ExactTone>(990, 48000, kDrive_dbfs));
  settle(bench, kSettledTenths);
  const std::complex<double> before = BenchCapture(bench).phasor(990, kRight);
  for (const Wiring away : {Wiring::kLoopback, Wiring::kTerminated, Wiring::kDividerTop}) {
    bench.set_wiring(away);
    settle(bench, 3);
    bench.set_wiring(Wiring::kUnit);
    settle(bench, kSettledTenths);
    const std::complex<double> after = BenchCapture(bench).phasor(990, kRight);
    CHECK(std::abs(after / before - 1.0) < 1e-6);
  }
}

TEST_CASE("the meter reads the true volts at every point that the wiring reaches") {
  Scenario scenario = humming();
  scenario.parts.voltmeter_gain = scenario.parts.ohmmeter_gain = 1;
  scenario.parts.volt_resolution = scenario.parts.ohm_resolution = 0;
  SimulatedBench bench(scenario, {48000});
  bench.play(std::make_shared<ExactTone>(997, 48000, kDrive_dbfs));
  const auto check = [&](Place place, double left_vrms, double right_vrms) {
    // The output's curve adds 2e-6; of a tone that does not fill the window with whole
    // periods the Hann weights leave 1e-7, equal ones 1e-4.
    const double expected[] = {left_vrms, right_vrms};
    for (const std::size_t c : {kLeft, kRight}) {
      CHECK(within(bench.meter_truth({place, c}), expected[c], 4e-6 * expected[c]));
      CHECK(bench.meter_reading({place, c}) == bench.meter_truth({place, c}));
    }
  };
  const double left = output_vrms(scenario, kLeft);
  const double right = output_vrms(scenario, kRight);
  for (const Wiring wiring : {Wiring::kDividerTop, Wiring::kLoopback, Wiring::kTerminated}) {
    bench.set_wiring(wiring);
    settle(bench, 2);
    const bool has_top = wiring == Wiring::kDividerTop;
    check(Place::kDividerTop, has_top ? left : 0, has_top ? right : 0);
    check(Place::kTerminals, 0, 0);
    check(Place::kOutput, left, right);
  }
}

TEST_CASE("at the unit the meter reads the truth's level, also where the input clips") {
  Scenario scenario = larkfield("as-found");
  scenario.parts = random_parts(4, scenario.ranges.size());
  for (const char* range : {"high", "low"}) {
    CAPTURE(range);
    SimulatedBench bench(scenario, {48000});
    bench.set_volume_db(-21);
    bench.set_range(range);  // low: full scale is 2 V, the terminals carry 18
    bench.play(std::make_shared<ExactTone>(990, 48000, -3));
    settle(bench, kSettledTenths);
    TruthConditions conditions;
    conditions.frequency_hz = 990;
    conditions.drive_dbfs = -3;
    conditions.volume_db = -21;
    const BenchTruth truth = bench_truth(scenario, conditions);
    for (const std::size_t c : {kLeft, kRight}) {
      // As in "level, phase and harmonics": 0.002 dB; noise and hum lie 60 dB down and more.
      const double expected = truth.channels[c].terminals.level_vrms;
      CHECK(within(bench.meter_truth({Place::kTerminals, c}), expected, 2.5e-4 * expected));
      CHECK(bench.meter_truth({Place::kDividerTop, c}) ==
            bench.meter_truth({Place::kTerminals, c}));
    }
  }
}

TEST_CASE("the meter's own error, its display and its leads are in what it shows") {
  Scenario scenario = quiet(larkfield("as-left"));
  scenario.parts.voltmeter_gain = 1.008;
  scenario.parts.volt_resolution = 0.001;
  scenario.parts.ohmmeter_gain = 0.995;
  scenario.parts.ohm_resolution = 0.01;
  scenario.parts.lead_ohm = 0.123;
  scenario.parts.load_scale = {1.02, 0.98};
  SimulatedBench bench(scenario, {48000});
  bench.set_wiring(Wiring::kDividerTop);
  bench.play(std::make_shared<ExactTone>(990, 48000, kDrive_dbfs));
  settle(bench, 3);
  constexpr double kRounding = 1e-12;
  // 2 V * 10^(-3/20) = 1.41589 V; * 1.008 = 1.42722.
  CHECK(within(bench.meter_reading({Place::kDividerTop, kLeft}), 1.427, kRounding));
  // (8.16 + 0.123) * 0.995 = 8.2416; (7.84 + 0.123) * 0.995 = 7.9232; 0.123 * 0.995 = 0.1224.
  CHECK(within(bench.meter_reading({Place::kLoad, kLeft}), 8.24, kRounding));
  CHECK(within(bench.meter_reading({Place::kLoad, kRight}), 7.92, kRounding));
  CHECK(within(bench.meter_reading({Place::kLeads, kLeft}), 0.12, kRounding));
  CHECK(within(bench.meter_truth({Place::kLoad, kLeft}), 8.16, kRounding));
  CHECK_THROWS_AS((void)bench.meter_reading({Place::kLoad, 2}), std::invalid_argument);
}

TEST_CASE("DC is not in what the meter reads") {
  class Steady final : public Signal {
   public:
    void fill(std::span<double> frames, int /*channels*/) override {
      for (double& sample : frames) sample = 0.5;
    }
  };
  SimulatedBench bench(quiet(larkfield("as-left")), {48000});
  bench.set_wiring(Wiring::kDividerTop);
  bench.play(std::make_shared<Steady>());
  settle(bench, 3);
  CHECK(bench.meter_truth({Place::kDividerTop, kLeft}) < 1e-6);  // dither: 2e-7 V
}

}  // namespace
}  // namespace sinewright
