// dsp/generator.h: what is played is the exact sine, reached without a jump.
#include "dsp/generator.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <vector>

#include "dsp/phase.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr SampleRate kFs{48000};
constexpr double kRampS = 0.01;
constexpr std::size_t kRampFrames = 480;

std::vector<double> played(Signal& signal, std::size_t frames, int channels = 1) {
  std::vector<double> samples(frames * static_cast<std::size_t>(channels));
  signal.fill(samples, channels);
  return samples;
}

void go_to(ToneGenerator& generator, std::vector<Tone> tones) { generator.go_to(tones); }

/// Greatest step from one sample to the next, of `samples` that follow `previous`.
double greatest_step(double previous, const std::vector<double>& samples) {
  double greatest = 0;
  for (const double sample : samples) {
    greatest = std::max(greatest, std::abs(sample - previous));
    previous = sample;
  }
  return greatest;
}

}  // namespace

TEST_CASE("a generator starts silent and reaches the exact sine") {
  ToneGenerator generator(kFs, kRampS);
  CHECK(generator.is_silent());
  CHECK(played(generator, 10) == std::vector<double>(10, 0.0));
  go_to(generator, {{997, 0.5}});
  CHECK_FALSE(generator.is_steady());
  const auto ramp = played(generator, kRampFrames);
  CHECK(generator.is_steady());
  CHECK_FALSE(generator.is_silent());
  // A quarter into a raised cosine: (1 - cos(pi/4)) / 2 = 0.1464466094.
  const std::uint64_t step = phase_step(Hertz{997}, kFs);
  CHECK(within(ramp[120], 0.5 * 0.1464466094 * unit_phasor(120 * step).imag(), 1e-10));
  // To the last bit, with no error that grows.
  const auto steady = played(generator, 48000);
  for (std::size_t n = 0; n < steady.size(); ++n) {
    REQUIRE(steady[n] == 0.5 * unit_phasor((n + kRampFrames) * step).imag());
  }
}

TEST_CASE("amplitude changes ramp from wherever the last ramp stands") {
  ToneGenerator generator(kFs, kRampS);
  go_to(generator, {{100, 1.0}});
  const auto first = played(generator, 200);  // where the tone is far from zero
  go_to(generator, {});
  const auto second = played(generator, kRampFrames);
  CHECK(generator.is_silent());
  CHECK(played(generator, 3) == std::vector<double>(3, 0.0));
  // The tone's own slope is 2 pi 100 / 48000 = 0.0131 a sample, the ramp's pi / 2 / 480 = 0.0033.
  CHECK(greatest_step(first.back(), second) < 0.0164);
}

TEST_CASE("a new frequency continues the phase") {
  ToneGenerator generator(kFs, kRampS);
  go_to(generator, {{100, 0.5}});
  const auto before = played(generator, kRampFrames + 77);
  go_to(generator, {{150, 0.5}});
  CHECK(generator.is_steady());  // the amplitude stays
  const auto after = played(generator, 1000);
  // 0.5 * 2 pi 150 / 48000 = 0.00982 a sample; a jump in phase would be far more.
  CHECK(greatest_step(before.back(), after) < 0.0099);
  const std::uint64_t phase = (kRampFrames + 77) * phase_step(Hertz{100}, kFs);
  CHECK(after[10] == 0.5 * unit_phasor(phase + 10 * phase_step(Hertz{150}, kFs)).imag());
}

TEST_CASE("of two tones the one that stays is not disturbed") {
  ToneGenerator generator(kFs, kRampS);
  go_to(generator, {{60, 0.8}, {7000, 0.2}});
  (void)played(generator, kRampFrames);
  go_to(generator, {{7000, 0.2}});
  (void)played(generator, kRampFrames);
  const auto alone = played(generator, 100);
  const std::uint64_t step = phase_step(Hertz{7000}, kFs);
  for (std::size_t n = 0; n < alone.size(); ++n) {
    CHECK(alone[n] == 0.2 * unit_phasor((2 * kRampFrames + n) * step).imag());
  }
}

TEST_CASE("a channel mask ramps and leaves the other channel alone") {
  ToneGenerator generator(kFs, kRampS);
  go_to(generator, {{100, 0.5}});
  (void)played(generator, kRampFrames, 2);
  generator.set_channels(0b10);
  CHECK_FALSE(generator.is_steady());
  const auto ramp = played(generator, kRampFrames, 2);
  CHECK(within(ramp[2 * 240], 0.5 * ramp[2 * 240 + 1], 1e-15));
  CHECK(generator.is_steady());
  const auto frames = played(generator, 100, 2);
  const std::uint64_t step = phase_step(Hertz{100}, kFs);
  for (std::size_t n = 0; n < 100; ++n) {
    CHECK(frames[2 * n] == 0);
    CHECK(frames[2 * n + 1] == 0.5 * unit_phasor((2 * kRampFrames + n) * step).imag());
  }
}

TEST_CASE("impossible tones are refused and change nothing") {
  ToneGenerator generator(kFs, kRampS);
  CHECK_THROWS_AS(go_to(generator, {{24000, 0.5}}), std::invalid_argument);
  CHECK_THROWS_AS(go_to(generator, {{0, 0.5}}), std::invalid_argument);
  CHECK_THROWS_AS(go_to(generator, {{1000, -0.1}}), std::invalid_argument);
  CHECK_THROWS_AS(go_to(generator, {{1000, NAN}}), std::invalid_argument);
  CHECK_THROWS_AS(go_to(generator, {{1000, 0.7}, {2000, 0.4}}), std::invalid_argument);
  CHECK_THROWS_AS(go_to(generator, {{1, .1}, {2, .1}, {3, .1}}), std::invalid_argument);
  CHECK(generator.is_silent());
  CHECK_THROWS_AS(ToneGenerator(kFs, 0), std::invalid_argument);
  std::vector<double> odd(3);
  CHECK_THROWS_AS(generator.fill(odd, 2), std::invalid_argument);
}
