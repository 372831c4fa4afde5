// dsp/lines.h on lines of known phasor, and its noise against theory.
#include "dsp/lines.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <stdexcept>
#include <vector>

#include "dsp/fft.h"
#include "dsp/noise_signals.h"
#include "dsp/phase.h"
#include "dsp/window.h"
#include "within.h"

using namespace sinewright;
using Complex = std::complex<double>;

namespace {

constexpr std::size_t kLength = 4096;
constexpr WindowKind kWindow = WindowKind::kNuttall4b;

std::vector<Complex> spectrum_of(std::span<const double> x) {
  const auto w = make_window(kWindow, x.size());
  std::vector<double> windowed(x.size());
  for (std::size_t i = 0; i < x.size(); ++i) windowed[i] = w[i] * x[i];
  std::vector<Complex> bins(x.size() / 2 + 1);
  RealFft(x.size()).transform(windowed, bins);
  return bins;
}

}  // namespace

TEST_CASE("lines are found with their phasor and taken out, close together too") {
  for (const double apart : {5.3, 9.1, 40.0}) {
    CAPTURE(apart);
    const std::vector<double> bins = {30.2, 30.2 + apart, 30.2 + 2 * apart};
    const Complex phasors[] = {std::polar(0.5, 0.3), std::polar(0.01, -2.0), std::polar(0.3, 1.5)};
    std::vector<double> x(kLength);
    for (std::size_t k = 0; k < 3; ++k) {
      const std::uint64_t step = phase_of_ratio(bins[k], kLength);
      for (std::size_t i = 0; i < kLength; ++i) {
        x[i] += (phasors[k] * unit_phasor(step * (i - kLength / 2))).real();
      }
    }
    auto spectrum = spectrum_of(x);
    const auto found = LineFitter(window_coefficients(kWindow), kLength, bins).take_out(spectrum);
    // Side lobes of -93 dB of the strongest; the kernel is good to 1 / N^2.
    for (std::size_t k = 0; k < 3; ++k) CHECK(std::abs(found[k] - phasors[k]) < 3e-5 * 0.5);
    double left = 0;
    for (const Complex& bin : spectrum) left = std::max(left, std::abs(bin));
    CHECK(left / (0.5 * kLength / 2 * coherent_gain(kWindow)) < 1e-4);
  }
}

TEST_CASE("a phasor's variance in noise, and the noise left under the line, are as stated") {
  constexpr std::size_t kShort = 512;
  constexpr int kRecords = 2000;
  const LineFitter fitter(window_coefficients(kWindow), kShort, {60.3});
  double squares = 0;
  std::vector<double> left(kShort / 2 + 1), before(kShort / 2 + 1);
  for (int r = 0; r < kRecords; ++r) {
    std::vector<double> x(kShort);
    add_noise(x, 1, static_cast<std::uint64_t>(r) + 1);
    auto spectrum = spectrum_of(x);
    squares += std::norm(fitter.take_out(spectrum)[0]) / kRecords;
    std::vector<double> power(spectrum.size());
    for (std::size_t m = 0; m < power.size(); ++m) power[m] = std::norm(spectrum[m]);
    fitter.restore_noise(power);
    for (std::size_t m = 0; m < power.size(); ++m) left[m] += power[m] / kRecords;
  }
  const auto w = make_window(kWindow, kShort);
  double noise_power = 0;
  for (const double value : w) noise_power += value * value;
  // Exponential law: 1 / sqrt(2000) = 2.2 %, four of those.
  CHECK(within(squares / fitter.phasor_variance(0, noise_power), 1, 0.09));
  for (std::size_t m = 57; m <= 64; ++m) {
    CAPTURE(m);
    CHECK(within(left[m] / noise_power, 1, 0.12));
  }
  CHECK(
      within(power_per_bin(window_coefficients(kWindow), kShort) * noise_power * kShort, 2, 1e-10));
}

TEST_CASE("lines out of order or range, and spectra of another length, are refused") {
  const auto terms = window_coefficients(kWindow);
  CHECK_THROWS_AS(LineFitter(terms, kLength, {30, 20}), std::invalid_argument);
  CHECK_THROWS_AS(LineFitter(terms, kLength, {-1}), std::invalid_argument);
  CHECK_THROWS_AS(LineFitter(terms, kLength, {3000}), std::invalid_argument);
  std::vector<Complex> spectrum(100);
  CHECK_THROWS_AS((void)LineFitter(terms, kLength, {20}).take_out(spectrum), std::invalid_argument);
}
