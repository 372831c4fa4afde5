// The spread of a level: from noise, from its blocks, from two looks.
#include "measure/tone_spread.h"

#include <doctest/doctest.h>

#include <cmath>

#include "measure/calibrate_tone.h"
#include "measure/tone_findings.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kRounding = 1e-18;  // of values near 1e-4

ToneChannel tone_of(double deviation, double spread, double blocks) {
  ToneChannel tone;
  tone.has_tone = true;
  tone.frequency_hz = 997;
  tone.fundamental_rms = tone.level_rms = 0.2;
  tone.level_deviation = deviation;
  tone.level_spread = spread;
  tone.level_blocks = blocks;
  return tone;
}

TEST_CASE("from five blocks on the larger of noise and scatter counts") {
  const Repeatability few = tone_spread(tone_of(1e-4, 3e-4, 4.9));
  CHECK(few.relative == 1e-4);
  CHECK(few.degrees_of_freedom == 1e9);
  const Repeatability scattered = tone_spread(tone_of(1e-4, 3e-4, 5));
  CHECK(scattered.relative == 3e-4);
  CHECK(scattered.degrees_of_freedom == 3);  // n - 2: the line has two
  const Repeatability noisy = tone_spread(tone_of(1e-4, 5e-5, 20));
  CHECK(noisy.relative == 1e-4);
  CHECK(noisy.degrees_of_freedom == 1e9);
}

TEST_CASE("a reading carries the scatter of its blocks, and their degrees of freedom") {
  Profile profile;
  Range range{"high", 10, ScaleCalibrations{}};
  range.calibration->frequency_hz = 997;
  for (auto& channel : range.calibration->channels) channel = ScaleCalibration{20, 2, -20, 0};
  profile.ranges = {range};
  ReadingContext context;
  context.channels = channel_names(2);
  context.chain.emplace(profile, "");
  context.sample_rate_hz = 48000;
  ToneAnalysis analysis;
  analysis.channels = {tone_of(1e-4, 3e-3, 5), tone_of(1e-4, 3e-5, 5)};
  analysis.channels[1].offset = 1e-6;  // not one signal twice
  analysis.pair = TonePair{0};
  analysis.block_s = 0.5;
  Findings findings;
  findings.measurement = "tone";
  findings.ended_s = 2.5;
  append_tone(findings, analysis, context, 0);
  const double db = 20 / std::log(10.0);
  const Reading* left = find_reading(findings, "fundamental", "left", Unit::kDbfs);
  const Reading* right = find_reading(findings, "fundamental", "right", Unit::kDbfs);
  REQUIRE((left && left->uncertainty && right && right->uncertainty));
  CHECK(within(*left->uncertainty / *left->k, 3e-3 * db, 1e-12));
  // Student's t for 95.45 % and three degrees of freedom, JCGM 100, table G.2.
  CHECK(within(*left->k, 3.31, 0.005));
  CHECK(within(*right->k, 2, 1e-3));
  const Reading* volts = find_reading(findings, "fundamental", "left", Unit::kVolt);
  REQUIRE((volts && volts->k));
  CHECK(*volts->k > 2.9);  // the scatter leads: 0.3 % beside 0.06 % of stability
  const Reading* balance = find_reading(findings, "balance", "pair", Unit::kDb);
  REQUIRE((balance && balance->k));
  CHECK(*balance->k > 2.9);
}

TEST_CASE("half the difference of two looks is a bound, not a scatter") {
  SteadyLevel first, second;
  first.fundamental_rms = {0.1001, 0.1};
  second.fundamental_rms = {0.0999, 0.1};
  first.deviation = second.deviation = {2e-4, 2e-4};
  const SteadyLevel mean = mean_of(first, second);
  const double within_looks = 2e-4 / std::sqrt(2.0);
  CHECK(within(mean.deviation[1], within_looks, kRounding));
  CHECK(within(mean.deviation[0], std::hypot(within_looks, 1e-3 / std::sqrt(3.0)), 1e-12));
}

}  // namespace
}  // namespace sinewright
