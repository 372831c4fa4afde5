#include <doctest/doctest.h>

#include "dsp/plateau.h"
#include "plateau_log.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kRate_hz = 48000;

/// Two seconds of a tone with something done to it.
std::vector<double> tone(double frequency_hz, double amplitude = 0.25) {
  std::vector<double> samples(96000);
  add_line(samples, {kRate_hz}, {frequency_hz, amplitude / std::sqrt(2.0), 0.4});
  return samples;
}

/// The one break of the one plateau; holds `frame` and reaches no farther than two hops from it.
PlateauBreak only_break(const std::vector<double>& samples, std::int64_t frame, double hop) {
  const auto found = plateaus_of(samples, {kRate_hz});
  REQUIRE(found.size() == 1);
  CHECK(found[0].start.kind == PlateauKind::kTone);
  CHECK(found[0].start.begin == 0);
  CHECK(found[0].end == static_cast<std::int64_t>(samples.size()));
  REQUIRE(found[0].breaks.size() == 1);
  const PlateauBreak& gap = found[0].breaks[0];
  CHECK(gap.begin <= frame);
  CHECK(gap.end >= frame);
  CHECK(static_cast<double>(frame - gap.begin) <= 2 * hop);
  CHECK(static_cast<double>(gap.end - frame) <= 2 * hop);
  CHECK(found[0].frames == static_cast<std::int64_t>(samples.size()) - (gap.end - gap.begin));
  return gap;
}

TEST_CASE("a click is a transient where it is") {
  // Within a hop of 480 frames; one at the seam of two hops, where the windows are near zero, is
  // left to the disturbances of the analysis.
  for (std::int64_t at = 48060; at <= 48420; at += 60) {
    CAPTURE(at);
    std::vector<double> samples = tone(997);
    samples[static_cast<std::size_t>(at)] += 0.2;
    CHECK(only_break(samples, at, 480).kind == PlateauBreak::Kind::kTransient);
  }
}

TEST_CASE("a dropout is a transient where it is") {
  for (const double frequency_hz : {100.0, 997.0, 9000.0}) {
    for (const std::size_t length : {48UL, 240UL}) {
      CAPTURE(frequency_hz);
      CAPTURE(length);
      std::vector<double> samples = tone(frequency_hz);
      std::fill_n(samples.begin() + 40123, length, 0.0);
      const double hop = hop_frames({kRate_hz}, frequency_hz);
      CHECK(only_break(samples, 40123, hop).kind == PlateauBreak::Kind::kTransient);
    }
  }
}

TEST_CASE("lost frames are missed, up to whole periods") {
  for (const double frequency_hz : {997.0, 3500.0}) {
    for (const int lost : {1, 5, 11, 20, 64, 1024}) {
      const double period = kRate_hz / frequency_hz;
      const double left_over = std::remainder(lost, period);
      // A whole period cannot be told; nor, by the detector's bound, less than half a frame.
      if (std::abs(left_over) < 0.6) continue;
      CAPTURE(frequency_hz);
      CAPTURE(lost);
      std::vector<double> samples = tone(frequency_hz);
      samples.erase(samples.begin() + 50001, samples.begin() + 50001 + lost);
      const PlateauBreak gap = only_break(samples, 50001, 480);
      CHECK(gap.kind == PlateauBreak::Kind::kDiscontinuity);
      CHECK(within(std::remainder(gap.shifted_frames - left_over, period), 0, 0.1));
    }
  }
}

TEST_CASE("repeated frames come twice, up to whole periods") {
  const double period = kRate_hz / 997;
  for (const int repeated : {1, 7, 30, 64, 500}) {
    const double left_over = std::remainder(-repeated, period);
    if (std::abs(left_over) < 0.6) continue;
    CAPTURE(repeated);
    std::vector<double> samples = tone(997);
    const std::vector<double> again(samples.begin() + 50001 - repeated, samples.begin() + 50001);
    samples.insert(samples.begin() + 50001, again.begin(), again.end());
    const PlateauBreak gap = only_break(samples, 50001, 480);
    CHECK(gap.kind == PlateauBreak::Kind::kDiscontinuity);
    CHECK(within(std::remainder(gap.shifted_frames - left_over, period), 0, 0.1));
  }
}

TEST_CASE("every one of many breaks is counted") {
  std::vector<double> samples = tone(997);
  // Noise 70 dB below, so that none is found by luck.
  add_noise(samples, 5e-5, 21);
  constexpr std::size_t kCount = 8;
  for (std::size_t k = 0; k < kCount; ++k) samples[10320 + k * 10095] -= 0.15;
  const auto found = plateaus_of(samples, {kRate_hz});
  REQUIRE(found.size() == 1);
  REQUIRE(found[0].breaks.size() == kCount);
  for (std::size_t k = 0; k < kCount; ++k) {
    CHECK(found[0].breaks[k].begin <= static_cast<std::int64_t>(10320 + k * 10095));
    CHECK(found[0].breaks[k].end > static_cast<std::int64_t>(10320 + k * 10095));
  }
}

TEST_CASE("lost frames in both channels of a pair are one break") {
  const std::vector<double> left = tone(997);
  const std::vector<double> right = tone(997, 0.1);
  std::vector<double> frames;
  for (std::size_t n = 0; n < left.size(); ++n) {
    if (n >= 40000 && n < 40010) continue;
    frames.push_back(left[n]);
    frames.push_back(right[n]);
  }
  const auto found = plateaus_of(frames, {kRate_hz}, 2);
  REQUIRE(found.size() == 1);
  REQUIRE(found[0].breaks.size() == 1);
  CHECK(found[0].breaks[0].kind == PlateauBreak::Kind::kDiscontinuity);
  CHECK(within(found[0].breaks[0].shifted_frames, 10, 0.1));
}

TEST_CASE("a burst in noise is a transient") {
  std::vector<double> samples(static_cast<std::size_t>(3 * kRate_hz));
  add_noise(samples, 1e-4, 31);
  samples[70000] += 0.1;
  const auto found = plateaus_of(samples, {kRate_hz});
  REQUIRE(found.size() == 1);
  CHECK(found[0].start.kind == PlateauKind::kNoise);
  REQUIRE(found[0].breaks.size() == 1);
  CHECK(found[0].breaks[0].kind == PlateauBreak::Kind::kTransient);
  CHECK(found[0].breaks[0].begin <= 70000);
  CHECK(found[0].breaks[0].end > 70000);
}

TEST_CASE("a gap that is known of ends a plateau, and frames count on") {
  const std::vector<double> samples = tone(997);
  PlateauLog log(samples, 1);
  PlateauDetector detector({kRate_hz}, 1, {}, log);
  detector.push(std::span(samples).first(48000));
  detector.finish(1000);
  detector.push(std::span(samples).subspan(49000));
  detector.finish();
  REQUIRE(log.found.size() == 2);
  CHECK(log.found[0].end == 48000);
  CHECK(log.found[1].start.begin == 49000);
  CHECK(log.found[1].end == 96000);
  CHECK(log.is_unchanged);
}

TEST_CASE("what never holds still is unclassified, once") {
  // A new note every 40 ms for five seconds: too short for any to settle.
  Stretches record({kRate_hz});
  record.tone(997, -20, 1);
  for (int k = 0; k < 125; ++k) record.tone(300 * std::pow(1.07, k * 7 % 23), -10 - k % 5, 0.018);
  record.tone(997, -20, 1);
  const auto found = plateaus_of(record.samples, record.fs);
  CHECK(count_of(found, PlateauKind::kUnclassified) == 1);
  CHECK(count_of(found, PlateauKind::kTone) == 2);
  for (const FoundPlateau& one : found) {
    if (one.start.kind == PlateauKind::kUnclassified) CHECK(one.frames == 0);
  }
}

}  // namespace
}  // namespace sinewright
