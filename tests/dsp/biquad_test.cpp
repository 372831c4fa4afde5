// dsp/biquad.h: the sections against the plain recursion, and the start in steady state.
#include "dsp/biquad.h"

#include <doctest/doctest.h>

#include <cmath>
#include <random>
#include <stdexcept>
#include <vector>

#include "dsp/iir_design.h"
#include "dsp/phase.h"
#include "within.h"

using namespace sinewright;

TEST_CASE("a section filters as the recursion in powers of 1/z does") {
  constexpr double b0 = 0.3, b1 = -0.2, b2 = 0.1, a1 = -1.2, a2 = 0.5;
  const Biquad section = Biquad::from_z(b0, b1, b2, a1, a2);
  FilterBank2 filter(std::span(&section, 1), 2);
  std::mt19937_64 random(7);
  std::uniform_real_distribution<double> uniform(-1, 1);
  std::vector<double> frames(400);
  for (double& x : frames) x = uniform(random);
  const std::vector<double> input = frames;
  filter.process(frames);
  std::vector<double> expected(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto past = [i](const std::vector<double>& v, std::size_t frames_ago) {
      return i >= 2 * frames_ago ? v[i - 2 * frames_ago] : 0.0;
    };
    expected[i] = b0 * input[i] + b1 * past(input, 1) + b2 * past(input, 2) -
                  a1 * past(expected, 1) - a2 * past(expected, 2);
    CHECK(within(frames[i], expected[i], 1e-14));  // rounding of a few operations
  }
}

TEST_CASE("one channel gets what the same samples give as a channel of two") {
  const auto sections = elliptic_low_pass(5, 0.1, 60, Hertz{8000}, SampleRate{48000});
  FilterBank2 mono(sections, 1);
  FilterBank2 stereo(sections, 2);
  std::vector<double> one{1, 0, -0.5, 0.25, 0, 0, 0, 0};
  std::vector<double> two(16);
  for (std::size_t i = 0; i < one.size(); ++i) two[2 * i + 1] = one[i];
  mono.process(one);
  stereo.process(two);
  for (std::size_t i = 0; i < one.size(); ++i) {
    CHECK(two[2 * i] == 0);
    CHECK(within(two[2 * i + 1], one[i], 1e-15));
  }
}

TEST_CASE("tones and a constant start in steady state") {
  const SampleRate fs{48000};
  std::vector<Biquad> sections{notch(Hertz{997}, 1.5, fs)};
  for (const Biquad& s : butterworth_high_pass(4, Hertz{10}, fs)) sections.push_back(s);
  for (const Biquad& s : elliptic_low_pass(7, 0.1, 80, Hertz{20000}, fs)) sections.push_back(s);
  FilterBank2 filter(sections, 2);
  const SteadyTone tones[] = {{0, 0.25, 0}, {997, 0.9, 0.4}, {1994, 0.01, -1.0}};
  filter.set_steady_state(1, tones, fs);

  std::vector<double> frames(2 * 2000);
  for (std::size_t n = 0; n < 2000; ++n) {
    for (const SteadyTone& tone : tones) {
      const std::uint64_t phase =
          phase_of_radians(tone.phase_rad) + n * phase_step(Hertz{tone.frequency_hz}, fs);
      frames[2 * n + 1] += tone.amplitude * unit_phasor(phase).real();
    }
  }
  filter.process(frames);
  const std::complex<double> h = response(sections, Hertz{1994}, fs);
  for (std::size_t n = 0; n < 2000; ++n) {
    const std::uint64_t phase = phase_of_radians(-1.0) + n * phase_step(Hertz{1994}, fs);
    // Rounding only: without the start in steady state, the tone settles for a tenth of a second.
    CHECK(within(frames[2 * n + 1], 0.01 * (h * unit_phasor(phase)).real(), 1e-12));
    CHECK(frames[2 * n] == 0);
  }
}

TEST_CASE("a notch far below the sample rate keeps its depth in the samples too") {
  const SampleRate fs{768000};
  const Biquad section = notch(Hertz{5}, 1.5, fs);
  FilterBank2 filter(std::span(&section, 1), 1);
  const SteadyTone tone{5, 1, 0};
  filter.set_steady_state(0, std::span(&tone, 1), fs);
  std::vector<double> samples(768000);
  const std::uint64_t step = phase_step(Hertz{5}, fs);
  for (std::size_t n = 0; n < samples.size(); ++n) samples[n] = unit_phasor(n * step).real();
  filter.process(samples);
  double power = 0;
  for (const double y : samples) power += y * y;
  // -170 dB is what the notch path is to reach (design page); in powers of 1/z it stops at -140.
  CHECK(dbfs_of_rms(std::sqrt(power / static_cast<double>(samples.size()))) < -190);
}

TEST_CASE("a filter bank refuses what it cannot hold") {
  CHECK_THROWS_AS(FilterBank2({}, 3), std::invalid_argument);
  FilterBank2 stereo({}, 2);
  std::vector<double> odd(3);
  CHECK_THROWS_AS(stereo.process(odd), std::invalid_argument);
  CHECK_THROWS_AS(stereo.set_steady_state(2, {}, SampleRate{48000}), std::invalid_argument);
}
