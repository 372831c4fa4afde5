// dsp/peaks.h on sines whose tops are known, clipped and not.
#include "dsp/peaks.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/sine_fit.h"
#include "within.h"

using namespace sinewright;

namespace {

std::vector<double> sine(double frequency_hz, double amplitude, double phase_rad) {
  std::vector<double> x(24000);
  add_line(x, {48000}, {frequency_hz, amplitude / std::sqrt(2.0), phase_rad});
  return x;
}

// What the fit of the tone leaves of `x`.
std::vector<double> residual_of(std::span<const double> x, double frequency_hz) {
  const SineFit fit = fit_sine_at(x, {48000}, {frequency_hz});
  std::vector<double> tone(x.size(), fit.offset);
  add_line(tone, {48000}, {frequency_hz, fit.amplitude / std::sqrt(2.0), fit.phase_rad});
  for (std::size_t i = 0; i < x.size(); ++i) tone[i] = x[i] - tone[i];
  return tone;
}

PeakFigures figures_of(std::span<const double> x, double frequency_hz, double noise_rms) {
  PeakFigures figures;
  update_peaks(figures, x, residual_of(x, frequency_hz), noise_rms);
  return figures;
}

}  // namespace

TEST_CASE("peaks between samples are found: a tone of fs/4 may miss them by 3 dB") {
  for (const double frequency_hz : {50.3, 997.0, 6001.3, 12003.7, 15999.1}) {
    CAPTURE(frequency_hz);
    const auto x = sine(frequency_hz, 0.5, kTwoPi / 8);
    const PeakFigures peaks = figures_of(x, frequency_hz, 0);
    // What 32 taps of a windowed sinc leave at a third of the rate: 0.5 %.
    CHECK(within(peaks.positive, 0.5, 0.0025));
    CHECK(within(peaks.negative, -0.5, 0.0025));
    CHECK(!peaks.has_flat_tops);
    CHECK(peaks.full_scale_runs == 0);
  }
}

TEST_CASE("tops clipped by a tenth of a decibel are flat, round ones in noise are not") {
  auto clipped = sine(997, 0.5, 0.1);
  for (double& value : clipped) value = std::min(value, 0.5 * std::pow(10.0, -0.1 / 20));
  CHECK(figures_of(clipped, 997, 0).has_flat_tops);
  for (const double noise : {0.0, 1e-6, 1e-3, 0.01}) {
    CAPTURE(noise);
    auto x = sine(997, 0.5, 0.1);
    add_noise(x, noise, 3);
    CHECK(!figures_of(x, 997, noise).has_flat_tops);
  }
}

TEST_CASE("a tone in step with the rate has no flat tops, though its samples repeat") {
  for (const double frequency_hz : {100.0, 1000.0, 4000.0, 6000.0, 12000.0}) {
    for (int i = 0; i < 16; ++i) {
      CAPTURE(frequency_hz);
      const auto x = sine(frequency_hz, 0.5, kTwoPi * i / 16);
      CHECK(!figures_of(x, frequency_hz, 0).has_flat_tops);
    }
  }
  auto clipped = sine(1000, 0.5, kTwoPi / 96);
  for (double& value : clipped) value = std::min(value, 0.5 * std::pow(10.0, -0.2 / 20));
  CHECK(figures_of(clipped, 1000, 0).has_flat_tops);
}

TEST_CASE("runs at full scale are counted once each") {
  auto x = sine(100, 1.2, 0);
  for (double& value : x) value = std::clamp(value, -1.0, 32767.0 / 32768);
  // 100 Hz over half a second: it starts at a top, so 51 stretches above and 50 below.
  const auto runs = figures_of(x, 100, 0).full_scale_runs;
  CHECK(runs >= 100);
  CHECK(runs <= 101);
}

TEST_CASE("a louder block takes over, a softer one changes nothing, none at all neither") {
  const auto soft = sine(997, 0.3, 0);
  const auto loud = sine(997, 0.6, 0);
  const PeakFigures alone = figures_of(loud, 997, 0);
  PeakFigures figures = figures_of(soft, 997, 0);
  update_peaks(figures, loud, residual_of(loud, 997), 0);
  update_peaks(figures, soft, residual_of(soft, 997), 0);
  update_peaks(figures, {}, {}, 0);
  CHECK(figures.positive == alone.positive);
  CHECK(figures.negative == alone.negative);
}
