#include "device/simulated_bench.h"

#include <doctest/doctest.h>

#include <cmath>

#include "bench_probe.h"
#include "device/bench_truth.h"
#include "findings/error.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr int kSettledTenths = 15;  // rails: 25 time constants; low cut at 5 Hz: 49

double level_vrms(const BenchCapture& capture, std::int64_t frequency_hz, std::size_t channel,
                  double ratio) {
  return std::abs(capture.phasor(frequency_hz, channel)) * ratio * 2.0;  // full scale: 2 Vrms
}

struct Setting {
  const char* state;
  double rate_hz;
  std::int64_t frequency_hz;
  double drive_dbfs;
  std::uint64_t parts_seed = 0;  // 0: as marked
};

/// Simulation against truth: levels within `level_db`, harmonics within `harmonic_db`.
void check_against_truth(const Setting& setting, double level_db, double harmonic_db) {
  CAPTURE(setting.state);
  CAPTURE(setting.rate_hz);
  CAPTURE(setting.frequency_hz);
  CAPTURE(setting.drive_dbfs);
  Scenario scenario = quiet(larkfield(setting.state));
  if (setting.parts_seed > 0) {
    scenario.parts = random_parts(setting.parts_seed, scenario.ranges.size());
  }
  SimulatedBench bench(scenario, {setting.rate_hz});
  bench.set_volume_db(-21);
  bench.play(
      std::make_shared<ExactTone>(setting.frequency_hz, setting.rate_hz, setting.drive_dbfs));
  settle(bench, kSettledTenths);
  const BenchCapture capture(bench);
  TruthConditions conditions;
  conditions.frequency_hz = static_cast<double>(setting.frequency_hz);
  conditions.drive_dbfs = setting.drive_dbfs;
  conditions.volume_db = -21;
  conditions.sample_rate = {setting.rate_hz};
  const BenchTruth truth = bench_truth(scenario, conditions);
  const auto delay = static_cast<double>(bench.loop_delay_frames());
  const double delay_deg = 360 * conditions.frequency_hz * delay / setting.rate_hz;
  for (const std::size_t c : {kLeft, kRight}) {
    CAPTURE(c);
    const SpectrumTruth& expected = truth.channels[c].as_read;
    const double ratio = 20 * scenario.parts.ratio(0)[c] * scenario.parts.input_scale[c];
    const double level = level_vrms(capture, setting.frequency_hz, c, ratio);
    const double error_db = db_of_amplitude_ratio(level / expected.fundamental_vrms);
    CAPTURE(error_db);
    CHECK(std::abs(error_db) < level_db);
    const double phase_deg = std::arg(capture.phasor(setting.frequency_hz, c)) * 360 / kTwoPi;
    const double error_deg =
        std::remainder(phase_deg + delay_deg - expected.fundamental_phase_deg, 360.0);
    CAPTURE(error_deg);
    CHECK(std::abs(error_deg) < 0.02);
    for (const HarmonicTruth& harmonic : expected.harmonics) {
      if (harmonic.level_dbc < -100 || harmonic.order > 12) continue;
      CAPTURE(harmonic.order);
      const double found = level_vrms(capture, setting.frequency_hz * harmonic.order, c, ratio);
      const double found_dbc = db_of_amplitude_ratio(found / expected.fundamental_vrms);
      CHECK(within(found_dbc, harmonic.level_dbc, harmonic_db));
    }
  }
}

// A harmonic at -100 dBc of a tone at -24 dBFS stands 46 dB above the 24-bit dither of a 10 Hz bin
// (-144 - 34 dB, peaks some 8 dB more): 0.05 dB.
constexpr double kBelowClipping = 0.05;

TEST_CASE("level, phase and harmonics are the truth's, below clipping") {
  // 0.002 dB and 0.02 degree: what the design asks of a response measurement, so the bench must not
  // be worse. The bilinear filters take 0.0005 dB and 0.01 degree of it at 20 kHz.
  check_against_truth({"as-left", 48000, 990, -3}, 0.002, kBelowClipping);
  check_against_truth({"as-found", 48000, 990, -20}, 0.002, kBelowClipping);
  check_against_truth({"as-left", 44100, 20000, -3}, 0.002, kBelowClipping);
  check_against_truth({"as-found", 48000, 20, -3}, 0.002, kBelowClipping);
}

TEST_CASE("level, phase and harmonics are the truth's, at other rates") {
  check_against_truth({"as-found", 96000, 7010, -10}, 0.002, kBelowClipping);
  check_against_truth({"as-left", 192000, 20000, -10}, 0.002, kBelowClipping);
}

TEST_CASE("level, phase and harmonics are the truth's, clipping at sagging rails") {
  // A harmonic near a null, -85 dBc here, moves by 0.01 dB with 1e-7 of the signal.
  check_against_truth({"as-left", 48000, 990, -0.4}, 0.002, 0.01);
  check_against_truth({"as-left", 48000, 990, 0}, 0.002, 0.01);
  check_against_truth({"as-found", 48000, 7010, -0.4}, 0.002, 0.01);
}

TEST_CASE("level, phase and harmonics are the truth's, with parts as drawn") {
  check_against_truth({"as-left", 48000, 990, -3, 1}, 0.002, kBelowClipping);
  check_against_truth({"as-found", 48000, 990, -20, 2}, 0.002, kBelowClipping);
  check_against_truth({"as-left", 48000, 990, 0, 3}, 0.002, 0.01);  // clipping
}

struct Drive {
  std::int64_t frequency_hz;
  double drive_dbfs;
  double volume_db;
  const char* range;
};

/// Strongest line between 20 Hz and 20 kHz that is no harmonic, relative to the fundamental. The
/// lines of the tests fold to other places than their harmonics.
double worst_alias_dbc(const Drive& drive, std::size_t channel) {
  SimulatedBench bench(quiet(larkfield("as-found")), {48000});
  bench.set_volume_db(drive.volume_db);
  bench.set_range(drive.range);
  bench.play(std::make_shared<ExactTone>(drive.frequency_hz, 48000, drive.drive_dbfs));
  settle(bench, kSettledTenths);
  const BenchCapture capture(bench);
  double worst = 0;
  for (std::int64_t f = 20; f <= 20000; f += 10) {
    if (f % drive.frequency_hz != 0) worst = std::max(worst, std::abs(capture.phasor(f, channel)));
  }
  return db_of_amplitude_ratio(worst / std::abs(capture.phasor(drive.frequency_hz, channel)));
}

TEST_CASE("aliases of clipping stay below -140 dBc") {
  // Clipping takes THD+N to 1 % at -0.4 dBFS and to 3 % at 0 dBFS.
  CHECK(worst_alias_dbc({990, 0, -21, "high"}, kLeft) < -140);
  CHECK(worst_alias_dbc({7010, 0, -21, "high"}, kLeft) < -140);
  CHECK(worst_alias_dbc({7010, 0, -20, "high"}, kLeft) < -140);
  CHECK(worst_alias_dbc({19990, -0.4, -21, "high"}, kLeft) < -140);
}

TEST_CASE("aliases of crossover distortion stay below -140 dBc") {
  CHECK(worst_alias_dbc({990, 0, -47, "low"}, kRight) < -140);
  CHECK(worst_alias_dbc({7010, 0, -47, "low"}, kRight) < -140);
  CHECK(worst_alias_dbc({7010, -3, -21, "high"}, kRight) < -140);
  CHECK(worst_alias_dbc({19990, -3, -21, "high"}, kRight) < -140);
}

TEST_CASE("noise has the true RMS, powered with tone and shorted") {
  Scenario scenario = larkfield("as-left");
  for (ReceiverChannel& channel : scenario.receiver.channels) channel.hum.clear();
  for (const bool is_shorted : {false, true}) {
    CAPTURE(is_shorted);
    SimulatedBench bench(scenario, {48000});
    bench.set_range("low");
    bench.set_volume_db(-20);
    bench.set_input_shorted(is_shorted);
    settle(bench, 5);
    constexpr int kCaptures = 4;
    double sum = 0;
    for (int k = 0; k < kCaptures; ++k) {
      const BenchCapture capture(bench);
      for (std::int64_t f = 20; f <= 20000; f += 10) {
        sum += std::pow(level_vrms(capture, f, kLeft, 1), 2) / kCaptures;
      }
    }
    TruthConditions conditions;
    conditions.range = "low";
    conditions.is_driven = {false, false};
    conditions.is_input_shorted = is_shorted;
    const BenchTruth truth = bench_truth(scenario, conditions);
    const double error_db =
        db_of_amplitude_ratio(std::sqrt(sum) / truth.channels[kLeft].as_read.noise_vrms);
    // 2 * 1999 * 4 degrees of freedom: one standard deviation is 0.07 dB; four of them.
    CHECK(within(error_db, 0, 0.28));
  }
}

TEST_CASE("hum lines have the stated levels, and go with the power") {
  Scenario scenario = quiet(larkfield("as-found"));
  scenario.mains_frequency_hz = 50;  // on the bins
  const std::vector<SimulatedHumLine> lines = larkfield("as-found").receiver.channels[kLeft].hum;
  scenario.receiver.channels[kLeft].hum = lines;
  SimulatedBench bench(scenario, {48000});
  bench.set_range("low");
  settle(bench, 20);
  const BenchCapture powered(bench);
  for (const SimulatedHumLine& line : lines) {
    CAPTURE(line.order);
    const std::int64_t f = 50 * line.order;
    // The input high-pass takes 0.0025 dB at 50 Hz; bins carry 1e-8 V of dither.
    CHECK(within(level_vrms(powered, f, kLeft, 1), line.level_vrms, 3e-4 * line.level_vrms + 3e-8));
  }
  CHECK(level_vrms(powered, 100, kRight, 1) < 1e-6);
  bench.set_powered(false);
  settle(bench, 15);
  CHECK(level_vrms(BenchCapture(bench), 100, kLeft, 1) < 1e-6);
}

TEST_CASE("what is read does not depend on how reads are split, only on the noise's start") {
  const auto run = [](Scenario scenario, std::vector<std::size_t> reads) {
    SimulatedBench bench(scenario, {48000});
    bench.play(std::make_shared<ExactTone>(990, 48000, -6));
    std::vector<double> all;
    for (const std::size_t frames : reads) {
      std::vector<double> samples(2 * frames);
      CHECK(bench.read(samples) == frames);
      all.insert(all.end(), samples.begin(), samples.end());
    }
    CHECK(bench.frames_played() == static_cast<std::int64_t>(all.size() / 2));
    return all;
  };
  Scenario scenario = larkfield("as-found");
  const std::vector<double> whole = run(scenario, {3000});
  CHECK(whole == run(scenario, {1, 63, 64, 65, 807, 2000}));
  ++scenario.noise_seed;
  CHECK(whole != run(scenario, {3000}));
}

TEST_CASE("lost frames are reported and make the delay shorter") {
  const Scenario scenario = quiet(larkfield("as-left"));
  const auto run = [&](bool is_lossy) {
    SimulatedBench bench(scenario, {48000});
    bench.play(std::make_shared<ExactTone>(990, 48000, -6));
    if (is_lossy) bench.lose_frames(2500, 100);
    std::vector<double> samples(2 * 4000);
    (void)!bench.read(samples);
    if (is_lossy) {
      REQUIRE(bench.gaps().size() == 1);
      CHECK(bench.gaps()[0] == 2500);
      CHECK(bench.frames_played() == 4100);
      CHECK_THROWS_AS(bench.lose_frames(100, 1), std::invalid_argument);
    } else {
      CHECK(bench.gaps().empty());
    }
    return samples;
  };
  const std::vector<double> lossy = run(true);
  const std::vector<double> whole = run(false);
  CHECK(lossy[2 * 2499] == whole[2 * 2499]);
  CHECK(lossy[2 * 2500] == whole[2 * 2600]);
}

TEST_CASE("a gain step and a relay that opens come at their frames") {
  SimulatedBench bench(quiet(larkfield("as-left")), {48000});
  bench.play(std::make_shared<ExactTone>(990, 48000, -6));
  settle(bench, 10);
  bench.step_gain(4800 * 11, kLeft, -1);
  bench.kill_channel(4800 * 12, kRight);
  const BenchCapture before(bench);
  const BenchCapture stepped(bench);
  settle(bench, 3);
  const BenchCapture killed(bench);
  const double step_db = db_of_amplitude_ratio(level_vrms(stepped, 990, kLeft, 20) /
                                               level_vrms(before, 990, kLeft, 20));
  CHECK(within(step_db, -1, 0.001));
  CHECK(within(level_vrms(stepped, 990, kRight, 20), level_vrms(before, 990, kRight, 20), 1e-5));
  CHECK(level_vrms(killed, 990, kRight, 20) < 1e-5);
}

TEST_CASE("a load that opens lifts its channel by what the output impedance took") {
  Scenario scenario = quiet(larkfield("as-left"));
  scenario.receiver.supply.resistance_ohm = 0;  // so that rails tell nothing
  SimulatedBench bench(scenario, {48000});
  bench.set_volume_db(-40);
  bench.play(std::make_shared<ExactTone>(990, 48000, -6));
  settle(bench, 10);
  bench.open_load(4800 * 11, kLeft);
  const BenchCapture before(bench);
  settle(bench, 3);
  const BenchCapture after(bench);
  const auto rise_db = [&](std::size_t channel) {
    return db_of_amplitude_ratio(level_vrms(after, 990, channel, 20) /
                                 level_vrms(before, 990, channel, 20));
  };
  const double expected_db =
      db_of_amplitude_ratio(1 + scenario.receiver.output_impedance_ohm / scenario.load_ohm);
  CHECK(within(rise_db(kLeft), expected_db, 1e-4));  // the terminals' volts are 1e-4 of distortion
  CHECK(within(rise_db(kRight), 0, 1e-4));
}

TEST_CASE("a channel without load draws nothing: the other's rails rise as if it were silent") {
  const Scenario scenario = quiet(larkfield("as-left"));
  const auto right_level_vrms = [&](bool opens, unsigned plays) {
    SimulatedBench bench(scenario, {48000});
    bench.set_volume_db(-21);
    auto tone = std::make_shared<ExactTone>(990, 48000, 0);  // clips at the rails
    tone->plays_ = plays;
    bench.play(tone);
    if (opens) bench.open_load(0, kLeft);
    settle(bench, kSettledTenths);
    return level_vrms(BenchCapture(bench), 990, kRight, 20);
  };
  const double open = right_level_vrms(true, 3);
  CHECK(open > right_level_vrms(false, 3) * 1.01);
  // Crosstalk of -75 dB is in one of them: 2e-4.
  CHECK(within(open / right_level_vrms(false, 1U << kRight), 1, 3e-4));
}

TEST_CASE("a stall hands over the frames before it, then throws for good") {
  SimulatedBench bench(quiet(larkfield("as-left")), {48000});
  bench.stall(1000);
  std::vector<double> samples(2 * 700);
  CHECK(bench.read(samples) == 700);
  CHECK(bench.read(samples) == 300);
  for (int k = 0; k < 2; ++k) {
    try {
      (void)!bench.read(samples);
      FAIL("read on");
    } catch (const Error& error) {
      CHECK(error.code() == ExitCode::kDevice);
    }
  }
  CHECK(bench.frames_played() == 1000);
  CHECK_THROWS_AS(bench.stall(999), std::invalid_argument);
  CHECK_THROWS_AS(bench.open_load(2000, 2), std::invalid_argument);
}

TEST_CASE("crosstalk is the truth's") {
  const Scenario scenario = quiet(larkfield("as-left"));
  SimulatedBench bench(scenario, {48000});
  bench.set_volume_db(-21);
  auto tone = std::make_shared<ExactTone>(9990, 48000, -3);
  tone->plays_ = 1U << kRight;
  bench.play(tone);
  settle(bench, kSettledTenths);
  const BenchCapture capture(bench);
  TruthConditions conditions;
  conditions.frequency_hz = 9990;
  conditions.drive_dbfs = -3;
  conditions.volume_db = -21;
  const double found_db = db_of_amplitude_ratio(std::abs(capture.phasor(9990, kLeft)) /
                                                std::abs(capture.phasor(9990, kRight)));
  CHECK(within(found_db, crosstalk_truth_db(scenario, conditions, kRight), 0.01));
}

TEST_CASE("a rate the bench does not run at is refused") {
  CHECK_THROWS_AS(SimulatedBench(larkfield("as-left"), {8000}), Error);
  CHECK_THROWS_AS(SimulatedBench(larkfield("as-left"), {std::nan("")}), Error);
}

}  // namespace
}  // namespace sinewright
