// Uncertainty budgets of volts, watts, balance and response, against sums done by hand.
#include "bench/budget.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

#include "within.h"

namespace sinewright {
namespace {

constexpr double kRounding = 1e-15;  // of values near 0.01

/// What is taken to be known exactly is zero; each test fills in what it is about.
Profile exact_profile() {
  Profile profile;
  profile.stability_percent = 0;
  Range range{"high", 34, ScaleCalibrations{}};
  range.calibration->frequency_hz = 225;
  for (auto& channel : range.calibration->channels) {
    channel = ScaleCalibration{.full_scale_vrms = 60, .meter_v = 1.5, .level_dbfs = -32};
  }
  profile.ranges = {range};
  profile.load.calibration.emplace().resistance_ohm = {8, 8};
  return profile;
}

ScaleCalibrations& calibration(Profile& profile) { return *profile.ranges.front().calibration; }

/// JCGM 100, 5.1.2, independent inputs.
double combined(const std::vector<Component>& budget) {
  double variance = 0;
  for (const Component& component : budget) variance += std::pow(component.contribution(), 2);
  return std::sqrt(variance);
}

double contribution(const std::vector<Component>& budget, const std::string& source) {
  const auto found = std::find_if(budget.begin(), budget.end(),
                                  [&](const Component& c) { return c.source == source; });
  REQUIRE(found != budget.end());
  return found->contribution();
}

/// Gain of the loopback at 225 Hz and 20 kHz, left and right, as drawn below.
SoundCardResidual loopback(double left_db, double right_db) {
  Loopback loopback;
  for (const double frequency_hz : {225., 20000.}) {
    LoopbackTone tone;
    tone.frequency_hz = frequency_hz;
    tone.drive_dbfs = -12;
    const bool is_high = frequency_hz > 1000;
    tone.channels[0].level_dbfs = -15 + (is_high ? left_db : 0);
    tone.channels[1].level_dbfs = -15 + (is_high ? right_db : 0);
    loopback.tones.push_back(tone);
  }
  return SoundCardResidual(loopback);
}

TEST_CASE("volts and ohms known to 0.5 % make watts known to 1.118 %") {
  // P = V^2 / R; product of powers, JCGM 100, 5.1.6: sqrt((2 * 0.5)^2 + 0.5^2) %, as printed.
  Profile profile = exact_profile();
  const double bound_percent = 0.5 * std::sqrt(3.0);  // rectangular, u = 0.5 % (4.3.7)
  calibration(profile).meter.percent = bound_percent;
  profile.load.calibration->meter.percent = bound_percent;
  const auto watts = watts_budget(Chain(profile, ""), 0, 225, {}, nullptr);
  CHECK(within(combined(watts), 0.01118, 0.000005));
  CHECK(within(contribution(watts, "meter at calibration"), 0.01, kRounding));
  CHECK(within(contribution(watts, "ohmmeter"), 0.005, kRounding));
}

TEST_CASE("a budget of volts by hand") {
  Profile profile = exact_profile();
  profile.stability_percent = 0.1;
  calibration(profile).meter = {1.0, 3, 0.001};  // +-(1 % + 3 digits), reads 1.500 V
  calibration(profile).channels[1]->repeatability = 2e-5;
  const SoundCardResidual residual = loopback(-0.6, -0.2);
  const auto volts = volts_budget(Chain(profile, "high"), 1, 20000, {3e-5, 9}, &residual);
  REQUIRE(volts.size() == 6);
  const double root_3 = std::sqrt(3.0);
  CHECK(within(contribution(volts, "meter at calibration"), (0.015 + 0.003) / 1.5 / root_3,
               kRounding));
  CHECK(within(contribution(volts, "display of the meter"), 0.0005 / 1.5 / root_3, kRounding));
  CHECK(within(contribution(volts, "repeatability at calibration"), 2e-5, kRounding));
  CHECK(within(contribution(volts, "gain of sound card and divider since"), 0.001 / root_3,
               kRounding));
  // Half of 0.2 dB either way.
  CHECK(within(contribution(volts, "sound card's response"), (std::pow(10, 0.1 / 20) - 1) / root_3,
               kRounding));
  CHECK(within(contribution(volts, "repeatability"), 3e-5, kRounding));
  CHECK(within(combined(volts), 0.0096471, 0.00000005));  // by calculator
  const auto now = std::find_if(volts.begin(), volts.end(),
                                [](const Component& c) { return c.source == "repeatability"; });
  CHECK(now->degrees_of_freedom == 9);
  CHECK(now->shape == Shape::kNormal);
  CHECK(volts.front().shape == Shape::kRectangular);

  // At the frequency of the calibration the response has no share; without a loopback none is
  // known.
  CHECK(contribution(volts_budget(Chain(profile, ""), 1, 225, {}, &residual),
                     "sound card's response") == 0);
  CHECK(contribution(volts_budget(Chain(profile, ""), 1, 20000, {}, nullptr),
                     "sound card's response") == 0);
}

TEST_CASE("a load's budget by hand: scale error once, the display twice, warm wire") {
  Profile profile = exact_profile();
  LoadCalibration& load = *profile.load.calibration;
  load.meter = {0.8, 2, 0.01};
  load.resistance_ohm = {8.00, 5.00};
  load.lead_ohm = 0.21;
  load.temperature_ppm_per_k = 100;
  load.temperature_rise_k = 60;
  calibration(profile).meter.percent = 1;
  const auto watts = watts_budget(Chain(profile, ""), 1, 225, {1e-4, 20}, nullptr);
  REQUIRE(watts.size() == 10);
  const double root_3 = std::sqrt(3.0);
  CHECK(within(contribution(watts, "ohmmeter"), (0.04 + 0.02) / 5 / root_3, kRounding));
  CHECK(within(contribution(watts, "display of the ohmmeter"), 0.001 / root_3, kRounding));
  CHECK(within(contribution(watts, "leads"), 0.001 / root_3, kRounding));
  CHECK(within(contribution(watts, "load's temperature"), 0.006 / root_3, kRounding));
  CHECK(within(contribution(watts, "repeatability"), 2e-4, kRounding));  // P goes with V^2
  CHECK(within(contribution(watts, "meter at calibration"), 0.02 / root_3, kRounding));
}

TEST_CASE("a load whose resistance falls as it warms is as open as one that rises") {
  Profile profile = exact_profile();
  LoadCalibration& load = *profile.load.calibration;
  load.temperature_ppm_per_k = -100;
  load.temperature_rise_k = 60;
  const auto watts = watts_budget(Chain(profile, ""), 0, 225, {}, nullptr);
  CHECK(within(contribution(watts, "load's temperature"), 0.006 / std::sqrt(3.0), kRounding));
}

TEST_CASE("one meter cancels in the balance as far as both readings are alike") {
  Profile profile = exact_profile();
  calibration(profile).meter = {1.0, 10, 0.001};
  const auto meter = [&] {
    return contribution(balance_budget(Chain(profile, ""), 225, {}, {}, nullptr),
                        "meter at calibration");
  };
  CHECK(meter() == 0);
  // 1 % stays common; 10 digits are 0.667 % of 1.5 V and 1 % of 1 V.
  calibration(profile).channels[1]->meter_v = 1.0;
  CHECK(within(meter(), (0.01 - 0.01 / 1.5) / std::sqrt(3.0), kRounding));
}

TEST_CASE("each side's own stays in the balance") {
  Profile profile = exact_profile();
  profile.stability_percent = 0.1;
  calibration(profile).meter = {1.0, 0, 0.003};
  calibration(profile).channels[0]->repeatability = 1e-4;
  calibration(profile).channels[1]->repeatability = 2e-4;
  const SoundCardResidual residual = loopback(-0.6, -0.2);
  const auto balance = balance_budget(Chain(profile, ""), 20000, {3e-4, 9}, {4e-4, 19}, &residual);
  REQUIRE(balance.size() == 10);
  const double root_3 = std::sqrt(3.0);
  for (const std::string side : {", left", ", right"}) {
    CHECK(within(contribution(balance, "display of the meter" + side), 0.001 / root_3, kRounding));
    CHECK(within(contribution(balance, "gain of sound card and divider since" + side),
                 0.001 / root_3, kRounding));
  }
  CHECK(contribution(balance, "repeatability at calibration, left") == 1e-4);
  CHECK(contribution(balance, "repeatability at calibration, right") == 2e-4);
  CHECK(contribution(balance, "repeatability, left") == 3e-4);
  CHECK(contribution(balance, "repeatability, right") == 4e-4);
  // The responses differ by 0.4 dB, half of it either way.
  CHECK(within(contribution(balance, "sound card's response"),
               (std::pow(10, 0.2 / 20) - 1) / root_3, kRounding));
}

TEST_CASE("a response is as open as the loopback between its frequencies") {
  const Chain chain(exact_profile(), "");
  const SoundCardResidual residual = loopback(-0.6, -0.2);
  CHECK(response_budget(chain, 0, 1000, {}, {}, nullptr).empty());
  CHECK(response_budget(chain, 0, 21000, {}, {}, &residual).empty());
  const auto measured = response_budget(chain, 0, 20000, {3e-5, 9}, {4e-5, 9}, &residual);
  CHECK(within(combined(measured), 5e-5, kRounding));
  const double midway_hz = std::sqrt(225.0 * 20000.0);
  const auto between = response_budget(chain, 0, midway_hz, {}, {}, &residual);
  CHECK(within(combined(between), (std::pow(10, 0.3 / 20) - 1) / std::sqrt(3.0), 1e-12));
}

TEST_CASE("response: the noise of the loopback counts too, and not against itself") {
  const Chain chain(exact_profile(), "");
  Loopback noisy;
  for (const double frequency_hz : {1000., 20000.}) {
    LoopbackTone tone;
    tone.frequency_hz = frequency_hz;
    tone.drive_dbfs = -12;
    for (LoopbackTone::Channel& channel : tone.channels) {
      channel.level_dbfs = -12;
      channel.floor_dbc = -80;  // five deviations of a harmonic
    }
    noisy.tones.push_back(tone);
  }
  const SoundCardResidual residual(noisy);
  // 1e-4 / (5 sqrt(1.98)) at either frequency; two digits of the window's 1.98 are given.
  const double deviation = 1e-4 / (5 * std::sqrt(1.98)) * std::sqrt(2.0);
  CHECK(within(combined(response_budget(chain, 0, 20000, {}, {}, &residual)), deviation, 2e-8));
  CHECK(combined(response_budget(chain, 0, 1000, {}, {}, &residual)) == 0);
}

TEST_CASE("volts are corrected by half of the loopback's response") {
  const Chain chain(exact_profile(), "");
  const SoundCardResidual residual = loopback(-0.6, -0.2);
  CHECK(within(volts_correction(chain, 0, 20000, &residual), std::pow(10, 0.3 / 20), 1e-12));
  CHECK(volts_correction(chain, 0, 225, &residual) == 1);
  CHECK(volts_correction(chain, 0, 21000, &residual) == 1);
  CHECK(volts_correction(chain, 0, 20000, nullptr) == 1);
}

TEST_CASE("what divider and cable lose grows with the square of the frequency") {
  Profile profile = exact_profile();
  profile.ranges.front().loss_20khz_db = 0.02;
  const Chain chain(profile, "");
  const SoundCardResidual residual = loopback(0, 0);
  const double lost_db = 0.02 * (0.25 - std::pow(225.0 / 20000, 2));
  const double expected = (std::pow(10, lost_db / 20) - 1) / std::sqrt(3.0);
  const char* line = "divider's response";
  CHECK(within(contribution(volts_budget(chain, 0, 10000, {}, &residual), line), expected, 1e-12));
  CHECK(contribution(volts_budget(chain, 0, 225, {}, &residual), line) == 0);
  CHECK(within(contribution(watts_budget(chain, 0, 10000, {}, &residual), line), 2 * expected,
               1e-12));
  const auto balance = balance_budget(chain, 10000, {}, {}, &residual);
  CHECK(within(contribution(balance, "divider's response, left"), expected, 1e-12));
  CHECK(within(contribution(balance, "divider's response, right"), expected, 1e-12));
  const double beyond_db = 0.02 * (0.25 - std::pow(1000.0 / 20000, 2));
  CHECK(within(contribution(response_budget(chain, 0, 10000, {}, {}, &residual), line),
               (std::pow(10, beyond_db / 20) - 1) / std::sqrt(3.0), 1e-12));
}

TEST_CASE("no budget without a calibration") {
  Profile profile = exact_profile();
  calibration(profile).channels[1].reset();
  profile.load.calibration.reset();
  const Chain chain(profile, "");
  CHECK_THROWS_AS(static_cast<void>(volts_budget(chain, 1, 225, {}, nullptr)),
                  std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(volts_budget(chain, 2, 225, {}, nullptr)),
                  std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(watts_budget(chain, 0, 225, {}, nullptr)),
                  std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(balance_budget(chain, 225, {}, {}, nullptr)),
                  std::invalid_argument);
  CHECK(volts_correction(chain, 1, 225, nullptr) == 1);
}

}  // namespace
}  // namespace sinewright
