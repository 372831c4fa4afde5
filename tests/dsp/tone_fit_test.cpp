// dsp/tone_fit.h: drifting tones exactly, noise as well as the bound allows.
#include "dsp/tone_fit.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <random>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/phase.h"
#include "dsp/window.h"
#include "within.h"

using namespace sinewright;
using Complex = std::complex<double>;

namespace {

constexpr WindowKind kWindow = WindowKind::kNuttall4b;

ToneFitter fitter_for(SampleRate fs, std::size_t n) {
  return ToneFitter(fs, make_window(kWindow, n), window_coefficients(kWindow));
}

}  // namespace

TEST_CASE("any tone is fitted and taken out to the last digits, with either weight") {
  std::mt19937_64 random(5);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * (static_cast<double>(random() >> 11) * 0x1p-53);
  };
  for (int i = 0; i < 60; ++i) {
    const double rates_hz[] = {8000, 44100, 96000, 768000};
    const SampleRate fs{rates_hz[random() % 4]};
    const std::size_t lengths[] = {256, 600, 4096, 10000};
    const std::size_t n = lengths[random() % 4];
    const double bin_hz = fs.hz / static_cast<double>(n);
    const double frequency_hz = 6 * bin_hz * std::pow(0.45 * fs.hz / (6 * bin_hz), uniform(0, 1));
    const double amplitude = std::pow(10.0, uniform(-6, 0));
    const double phase_rad = uniform(-3, 3);
    const double offset = 0.1 * amplitude;
    CAPTURE(fs.hz);
    CAPTURE(n);
    CAPTURE(frequency_hz);
    std::vector<double> x(n, offset), rest(n);
    add_line(x, fs, {frequency_hz, amplitude / std::sqrt(2.0), phase_rad});
    ToneFitter fitter = fitter_for(fs, n);
    settle_frequency(fitter, x, {frequency_hz + 0.3 * bin_hz});
    const auto moments = fitter.moments(x);
    for (const ToneFit& fit :
         {fitter.fit_windowed(moments.windowed), fitter.fit_flat(moments.flat, {})}) {
      CHECK(within(std::abs(fit.terms[0]) / amplitude, 1, 1e-10));
      CHECK(within(fit.frequency_hz, frequency_hz, 1e-9 * bin_hz));
      CHECK(within(fit.offset / amplitude, 0.1, 1e-10));
      fitter.subtract(x, fit, rest);
      CHECK(rms_of(rest) / amplitude < 1e-12);  // -240 dB
    }
  }
}

TEST_CASE("drift of level and frequency is found and taken out") {
  const SampleRate fs{48000};
  constexpr std::size_t kLength = 48000;
  const double gain_db_per_s = 0.01;
  const double hz_per_s = 1e-5;  // 10 ppb of 1 kHz
  std::vector<double> x(kLength), rest(kLength);
  const std::uint64_t step = phase_step({997}, fs);
  for (std::size_t i = 0; i < kLength; ++i) {
    const double t = (static_cast<double>(i) - kLength / 2.0) / fs.hz;
    const double gain = std::pow(10.0, gain_db_per_s * t / 20);
    const Complex bend = std::polar(1.0, std::numbers::pi * hz_per_s * t * t);
    x[i] = 0.5 * gain * (unit_phasor(step * i) * bend).real();
  }
  ToneFitter fitter = fitter_for(fs, kLength);
  settle_frequency(fitter, x, {997.2});
  const ToneFit fit = fitter.fit_windowed(fitter.moments(x).windowed);
  CHECK(within(fit.level_drift_db_per_s, gain_db_per_s, 1e-6));
  CHECK(within(fit.frequency_drift_hz_per_s, hz_per_s, 1e-8));
  CHECK(within(fit.frequency_hz, 997, 1e-9));
  fitter.subtract(x, fit, rest);
  // Level drift times bent phase is cubic: 6e-4 * 8e-6 at the ends, which is left there.
  CHECK(20 * std::log10(rms_of(rest) / (0.5 / std::sqrt(2.0))) < -175);
}

TEST_CASE("the flat fit reaches the Cramér-Rao bound beside harmonics") {
  const SampleRate fs{48000};
  constexpr std::size_t kLength = 600;
  constexpr int kRecords = 400;
  const double frequency_hz = 997.3;
  const double amplitude = 0.5;
  const double noise = 0.01;
  ToneFitter fitter = fitter_for(fs, kLength);
  fitter.set_frequency({frequency_hz});
  double frequency_squares = 0;
  double phase_squares = 0;
  for (int i = 0; i < kRecords; ++i) {
    std::vector<double> x(kLength);
    add_line(x, fs, {frequency_hz, amplitude / std::sqrt(2.0), 0});
    add_line(x, fs, {2 * frequency_hz, 0.1, 0.7});
    add_noise(x, noise, static_cast<std::uint64_t>(i) + 3);
    const double mid_rad = kTwoPi * 2 * frequency_hz * (kLength / 2) / fs.hz + 0.7;
    const HarmonicPhasor second{2, std::polar(0.1 * std::sqrt(2.0), mid_rad)};
    const ToneFit fit = fitter.fit_flat(fitter.moments(x).flat, std::span(&second, 1));
    frequency_squares += std::pow(fit.frequency_hz - frequency_hz, 2) / kRecords;
    const double phase = std::arg((fit.terms[0] + fit.terms[2] / 3.0) *
                                  std::polar(1.0, -kTwoPi * frequency_hz * (kLength / 2) / fs.hz));
    phase_squares += phase * phase / kRecords;
  }
  const double n = kLength;
  const double to_hz = fs.hz / kTwoPi;
  const double bound = 24 * noise * noise / (amplitude * amplitude * n * (n * n - 1));
  // A variance from 400 records scatters by 7 %, four of those; the closed form is good to 1 %
  // here.
  CHECK(within(frequency_squares / (bound * to_hz * to_hz), 1, 0.28));
  CHECK(within(phase_squares / (2 * noise * noise / (amplitude * amplitude * n)), 1, 0.28));
}

TEST_CASE("blocks of odd length or another size are refused") {
  const SampleRate fs{48000};
  CHECK_THROWS_AS((void)fitter_for(fs, 14), std::invalid_argument);
  CHECK_THROWS_AS((void)fitter_for(fs, 601), std::invalid_argument);
  ToneFitter fitter = fitter_for(fs, 600);
  CHECK_THROWS_AS(fitter.set_frequency({24000}), std::invalid_argument);
  fitter.set_frequency({1000});
  const std::vector<double> x(500);
  CHECK_THROWS_AS((void)fitter.moments(x), std::invalid_argument);
}
