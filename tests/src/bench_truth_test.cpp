#include "device/bench_truth.h"

#include <doctest/doctest.h>

#include <cmath>

#include "bench_probe.h"
#include "within.h"

namespace sinewright {
namespace {

TEST_CASE("the truth of a pure polynomial is its closed form") {
  // reference/thd_closed_forms.csv, header: for x = A sin, h1 = A + (3/4) a3 A^3, h2 = a2 A^2 / 2,
  // h3 = a3 A^3 / 4. Everything else of the bench is made negligible.
  Scenario scenario = quiet(larkfield("as-left"));
  scenario.receiver.supply.positive_v = scenario.receiver.supply.negative_v = 1e6;
  scenario.receiver.supply.knee_v = 1e-3;
  scenario.receiver.crosstalk_db = -300;
  scenario.sound_card.output_curve = scenario.sound_card.input_curve = {};
  for (ReceiverChannel& channel : scenario.receiver.channels) channel.crossover_v = 0;
  TruthConditions conditions;
  const BenchTruth truth = bench_truth(scenario, conditions);
  for (const std::size_t c : {kLeft, kRight}) {
    CAPTURE(c);
    const Polynomial& curve = scenario.receiver.channels[c].curve;
    const double loaded = 8.0 / (8.0 + scenario.receiver.output_impedance_ohm);
    const SpectrumTruth& found = truth.channels[c].terminals;
    const double peak = found.fundamental_vrms * std::sqrt(2.0) / loaded / scenario.rated_peak_v();
    const double a = peak / (1 + 0.75 * curve.third * peak * peak);  // h1 solved once: error < 1e-9
    // Rounding of the 1e6 V rails leaves 1e-10 V: -200 dB, 1e-4 dB on a harmonic at -110 dB.
    CHECK(within(found.harmonics[0].level_dbc,
                 db_of_amplitude_ratio(std::abs(curve.second) * a * a / 2 / peak), 0.001));
    CHECK(within(found.harmonics[1].level_dbc,
                 db_of_amplitude_ratio(std::abs(curve.third) * a * a * a / 4 / peak), 0.001));
  }
}

TEST_CASE("white noise loses 2.05 dB by A-weighting") {
  // reference/a_weighting.csv, header: 20 Hz - 20 kHz, from the closed form; half its last digit.
  TruthConditions conditions;
  conditions.range = "low";
  conditions.volume_db = -90;
  const SpectrumTruth left =
      bench_truth(larkfield("as-left"), conditions).channels[kLeft].terminals;
  CHECK(within(db_of_amplitude_ratio(left.noise_a_vrms / left.noise_vrms), -2.05, 0.005));
}

TEST_CASE("the LR-62 as left meets its rating, as found it does not") {
  TruthConditions conditions;
  conditions.volume_db = -21;
  const auto clean = output_limit_truth(larkfield("as-left"), conditions, kLeft, 0.1);
  REQUIRE(clean);
  CHECK(clean->channels[kLeft].as_read.watts > 62);
  CHECK(within(clean->channels[kLeft].as_read.thd_n_percent, 0.1, 1e-4));  // 1e-6 dB of drive
  CHECK(clean->channels[kLeft].peak_positive_v > -clean->channels[kLeft].peak_negative_v);
  CHECK_FALSE(output_limit_truth(larkfield("as-found"), conditions, kRight, 0.1));
  CHECK(output_limit_truth(larkfield("as-found"), conditions, kRight, 1.0));
}

TEST_CASE("rails sag less when one channel is driven alone") {
  const Scenario scenario = larkfield("as-left");
  TruthConditions conditions;
  conditions.volume_db = -21;
  const auto both = output_limit_truth(scenario, conditions, kLeft, 1);
  conditions.is_driven[kRight] = false;
  const auto one = output_limit_truth(scenario, conditions, kLeft, 1);
  REQUIRE(both);
  REQUIRE(one);
  CHECK(one->channels[kLeft].as_read.watts > both->channels[kLeft].as_read.watts + 3);
}

TEST_CASE("parts off by a stated factor move the true figures by it") {
  Scenario scenario = quiet(larkfield("as-left"));
  scenario.receiver.output_impedance_ohm = 0;
  TruthConditions conditions;
  conditions.drive_dbfs = -40;
  const ChannelTruth marked = bench_truth(scenario, conditions).channels[kRight];
  scenario.parts.output_scale = {1, 1.05};
  scenario.parts.input_scale = {1, 0.97};
  scenario.parts.ratio_scale = {{1, 1.02}};
  scenario.parts.load_scale = {1, 1.01};
  const ChannelTruth drawn = bench_truth(scenario, conditions).channels[kRight];
  // The curves bend 5 % more by less than 1e-4.
  CHECK(within(drawn.as_read.fundamental_vrms / marked.as_read.fundamental_vrms, 1.05, 1e-4));
  CHECK(within(drawn.as_read.watts / marked.as_read.watts, 1.05 * 1.05 / 1.01, 2e-4));
  CHECK(within(drawn.fundamental_dbfs - marked.fundamental_dbfs,
               db_of_amplitude_ratio(1.05 / (0.97 * 1.02)), 1e-3));
  const std::string text = parts_text(scenario);
  CHECK(text.find("ratio of the high range") != std::string::npos);
  CHECK(text.find("20.4") != std::string::npos);
  CHECK(text.find("8.08") != std::string::npos);
}

TEST_CASE("the load's true ohms divide with the output impedance") {
  Scenario scenario = quiet(larkfield("as-left"));
  scenario.receiver.supply.resistance_ohm = 0;  // rails that sag would bend a little otherwise
  TruthConditions conditions;
  conditions.drive_dbfs = -40;
  const double marked = bench_truth(scenario, conditions).channels[kLeft].terminals.level_vrms;
  scenario.parts.load_scale = {0.5, 1};
  const double halved = bench_truth(scenario, conditions).channels[kLeft].terminals.level_vrms;
  const double impedance = scenario.receiver.output_impedance_ohm;
  CHECK(within(halved / marked, (4 / (4 + impedance)) / (8 / (8 + impedance)), 1e-9));
}

TEST_CASE("a silent bench has no tone, and its text says so") {
  TruthConditions conditions;
  conditions.is_powered = false;
  const BenchTruth truth = bench_truth(larkfield("as-left"), conditions);
  CHECK(truth.channels[kLeft].terminals.level_vrms == 0);
  CHECK(truth.channels[kLeft].as_read.noise_vrms > 0);  // the sound card's own
  CHECK(truth.channels[kLeft].as_read.harmonics.empty());
  const std::string text = to_text(truth);
  CHECK(text.find("off") != std::string::npos);
  CHECK(text.find("nan") == std::string::npos);
}

TEST_CASE("a frequency the bench cannot play is refused") {
  TruthConditions conditions;
  conditions.frequency_hz = 24000;
  CHECK_THROWS_AS((void)bench_truth(larkfield("as-left"), conditions), std::invalid_argument);
}

}  // namespace
}  // namespace sinewright
