// dsp/power_spectrum.h: exact normalisation, and the plain sums it must agree with.
#include "dsp/power_spectrum.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numeric>
#include <stdexcept>

#include "dsp/noise_signals.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr SampleRate kRate{48000};

std::vector<double> noise(std::size_t n, double rms, std::uint64_t seed) {
  std::vector<double> x(n);
  add_noise(x, rms, seed);
  return x;
}

double sum_of(const std::vector<double>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0);
}

}  // namespace

TEST_CASE("without window or overlap the bins add up to the mean square exactly (Parseval)") {
  PowerSpectrum spectrum(kRate, 1, {50, WindowKind::kRectangular, 0});
  const std::size_t n = spectrum.block_frames();
  auto x = noise(3 * n, 0.1, 1);
  for (double& value : x) value += 0.05;
  spectrum.push(x);
  CHECK(spectrum.blocks() == 3);
  const double mean_square = std::pow(rms_of(x), 2);
  CHECK(within(sum_of(spectrum.mean_square(0)) / mean_square, 1, 1e-13));  // rounding
  double integral = 0;
  const auto density = spectrum.density_per_hz(0);
  for (std::size_t m = 0; m < density.size(); ++m) {
    integral += density[m] * spectrum.bin_hz() * (m == 0 || m + 1 == density.size() ? 0.5 : 1);
  }
  CHECK(within(integral / mean_square, 1, 1e-13));
  CHECK(within(spectrum.band_power(0, 0, kRate.hz / 2) / mean_square, 1, 1e-13));
}

TEST_CASE("under any window the bins add up to the mean square that the window's square weighs") {
  for (const WindowKind kind : {WindowKind::kHann, WindowKind::kNuttall4b, WindowKind::kHft144d}) {
    PowerSpectrum spectrum(kRate, 1, {100, kind, 0.5});
    const std::size_t n = spectrum.block_frames();
    const auto x = noise(2 * n, 0.2, 2);
    spectrum.push(x);
    REQUIRE(spectrum.blocks() == 3);
    const auto w = make_window(kind, n);
    double expected = 0;
    double weight = 0;
    for (std::size_t i = 0; i < n; ++i) {
      for (const std::size_t start : {std::size_t{0}, n / 2, n}) {
        expected += w[i] * w[i] * x[start + i] * x[start + i];
      }
      weight += w[i] * w[i];
    }
    CHECK(within(sum_of(spectrum.mean_square(0)) / (expected / weight / 3), 1, 1e-12));
  }
}

TEST_CASE("a tone reads its mean square over its main lobe, between bins too") {
  PowerSpectrum spectrum(kRate, 1, {10, WindowKind::kNuttall4b, 0.5});
  std::vector<double> x(48000);
  add_line(x, kRate, {1003.7, 0.25});
  spectrum.push(x);
  // Side lobes hold less than 1e-8 of the power.
  CHECK(within(spectrum.band_power(0, 950, 1050) / 0.0625, 1, 1e-7));
  CHECK(spectrum.band_power(0, 2000, 3000) < 1e-10);
}

TEST_CASE("two channels in one transform read as each alone") {
  const auto a = noise(20000, 0.1, 3);
  const auto b = noise(20000, 1e-5, 4);
  std::vector<double> both;
  for (std::size_t i = 0; i < a.size(); ++i) both.insert(both.end(), {a[i], b[i]});
  const SpectrumSettings settings{20, WindowKind::kHann, 0.5};
  PowerSpectrum pair(kRate, 2, settings);
  PowerSpectrum alone_a(kRate, 1, settings);
  PowerSpectrum alone_b(kRate, 1, settings);
  pair.push(both);
  for (const double value : a) alone_a.push(std::span(&value, 1));  // any length
  alone_b.push(b);
  CHECK(alone_a.blocks() == pair.blocks());
  CHECK(within(pair.band_power(0, 0, 24000) / alone_a.band_power(0, 0, 24000), 1, 1e-13));
  // The louder channel leaves a rounding error of 1e-16 of its amplitude in the softer one.
  CHECK(within(pair.band_power(1, 0, 24000) / alone_b.band_power(0, 0, 24000), 1, 1e-10));
}

TEST_CASE("a weighted tone reads its level times the weighting's gain") {
  PowerSpectrum spectrum(kRate, 1, {10, WindowKind::kHft144d, 0.5});
  std::vector<double> x(96000);
  add_line(x, kRate, {4000, 0.1});
  spectrum.push(x);
  for (const Weighting weighting : {Weighting::kA, Weighting::k468}) {
    const double gain = weighting_gain(weighting, {4000});
    // The gain bends over the width of the main lobe by less than 1e-4 of it.
    CHECK(within(std::sqrt(spectrum.band_power(0, 3800, 4200, weighting)) / (0.1 * gain), 1, 1e-4));
  }
}

TEST_CASE("white noise has its density in any band, by 4 standard deviations") {
  PowerSpectrum spectrum(kRate, 1, {10, WindowKind::kNuttall4b, 0.5});
  spectrum.push(noise(480000, 0.1, 5));
  for (const double low_hz : {100.0, 5000.0, 15003.3}) {
    const double expected = 0.01 * 2000 / 24000;
    const double deviation = 1 / std::sqrt(2000.0 * 10);
    CHECK(within(spectrum.band_power(0, low_hz, low_hz + 2000) / expected, 1, 4 * deviation));
  }
}

TEST_CASE("settings out of range are refused") {
  CHECK_THROWS_AS(PowerSpectrum({0}, 1, {}), std::invalid_argument);
  CHECK_THROWS_AS(PowerSpectrum(kRate, 3, {}), std::invalid_argument);
  CHECK_THROWS_AS(PowerSpectrum(kRate, 1, {0, WindowKind::kHann, 0.5}), std::invalid_argument);
  CHECK_THROWS_AS(PowerSpectrum(kRate, 1, {10, WindowKind::kHann, 0.95}), std::invalid_argument);
  PowerSpectrum spectrum(kRate, 2, {10, WindowKind::kHann, 0.5});
  CHECK(sum_of(spectrum.mean_square(1)) == 0);
  CHECK_THROWS_AS((void)spectrum.mean_square(2), std::invalid_argument);
  CHECK_THROWS_AS((void)spectrum.band_power(0, 20, 10), std::invalid_argument);
  CHECK_THROWS_AS(spectrum.push(std::vector<double>(3)), std::invalid_argument);
}
