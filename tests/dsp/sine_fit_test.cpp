// dsp/sine_fit.h: exact on exact sines, and as good as the Cramér-Rao bound in noise.
#include "dsp/sine_fit.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <cmath>
#include <numbers>
#include <random>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "within.h"

using namespace sinewright;

namespace {

// Inverse of the exact Fisher matrix of {amplitude, phase at sample 0, offset, w in rad/sample} for
// a real sine in white noise of standard deviation `s`: the bounds of the four-parameter model.
Eigen::Matrix4d bounds(double amplitude, double phase_rad, double w, std::size_t n, double s) {
  Eigen::Matrix4d fisher = Eigen::Matrix4d::Zero();
  for (std::size_t i = 0; i < n; ++i) {
    const auto t = static_cast<double>(i);
    const double angle = w * t + phase_rad;
    const Eigen::Vector4d slope(std::cos(angle), -amplitude * std::sin(angle), 1,
                                -amplitude * t * std::sin(angle));
    fisher += slope * slope.transpose() / (s * s);
  }
  // Scaled to a unit diagonal before inversion: its entries span many decades.
  const Eigen::Vector4d scale = fisher.diagonal().cwiseSqrt().cwiseInverse();
  const Eigen::Matrix4d unit = scale.asDiagonal() * fisher * scale.asDiagonal();
  return scale.asDiagonal() * unit.inverse() * scale.asDiagonal();
}

}  // namespace

TEST_CASE("a sine of any frequency, level, phase and rate is found exactly") {
  std::mt19937_64 random(11);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * (static_cast<double>(random() >> 11) * 0x1p-53);
  };
  const double rates_hz[] = {8000, 44100, 48000, 96000, 192000, 768000};
  for (int i = 0; i < 120; ++i) {
    const SampleRate fs{rates_hz[random() % 6]};
    const double lowest_hz = std::max(5.0, 6 * fs.hz / 20000);
    const double frequency_hz = lowest_hz * std::pow(0.45 * fs.hz / lowest_hz, uniform(0, 1));
    const double periods = uniform(5, 60);
    const auto n =
        static_cast<std::size_t>(std::clamp(periods * fs.hz / frequency_hz, 64.0, 20000.0));
    const double amplitude = std::pow(10.0, uniform(-6, 0));
    const double phase_rad = uniform(-3.1, 3.1);
    const double offset = amplitude * uniform(-1, 1);
    std::vector<double> x(n, offset);
    add_line(x, fs, {frequency_hz, amplitude / std::sqrt(2.0), phase_rad});
    CAPTURE(fs.hz);
    CAPTURE(frequency_hz);
    CAPTURE(n);
    const auto peak = find_peak(x, fs);
    REQUIRE(peak.has_value());
    const double bin_hz = fs.hz / static_cast<double>(n);
    CHECK(within(peak->value, frequency_hz, 0.5 * bin_hz));
    const auto fit = fit_sine(x, fs, *peak);
    REQUIRE(fit.has_value());
    CHECK(within(fit->frequency_hz, frequency_hz, 1e-9 * bin_hz));
    CHECK(within(fit->amplitude / amplitude, 1, 1e-11));
    CHECK(within(std::remainder(fit->phase_rad - phase_rad, kTwoPi), 0, 1e-9));
    CHECK(within(fit->offset / amplitude, offset / amplitude, 1e-11));
    // Rounding of samples with an offset: 1e-16 of the largest.
    CHECK(fit->residual_rms / amplitude < 1e-12);
    const SineFit known = fit_sine_at(x, fs, {frequency_hz});
    CHECK(within(known.amplitude / amplitude, 1, 1e-12));
    CHECK(known.residual_rms / amplitude < 1e-13);
  }
}

TEST_CASE("in white noise the fit reaches the Cramér-Rao bound") {
  // Exact Fisher matrix; from memory for the real sine: D. C. Rife and R. R. Boorstyn, IEEE Trans.
  // Inf. Theory 20(5), 1974, treat the complex one.
  constexpr int kRecords = 400;
  for (const std::size_t n : {200u, 1000u}) {
    for (const double snr_db : {20.0, 60.0}) {
      const SampleRate fs{48000};
      const double frequency_hz = 8.37 * fs.hz / static_cast<double>(n);
      const double amplitude = 0.5;
      const double noise = amplitude / std::sqrt(2.0) * std::pow(10.0, -snr_db / 20);
      double frequency_squares = 0;
      double amplitude_squares = 0;
      double offset_squares = 0;
      for (int i = 0; i < kRecords; ++i) {
        std::vector<double> x(n, 0.0);
        add_line(x, fs, {frequency_hz, amplitude / std::sqrt(2.0), 0.9});
        add_noise(x, noise, static_cast<std::uint64_t>(i) + 1);
        const auto fit = fit_sine(x, fs, {frequency_hz});
        REQUIRE(fit.has_value());
        frequency_squares += std::pow(fit->frequency_hz - frequency_hz, 2) / kRecords;
        amplitude_squares += std::pow(fit->amplitude - amplitude, 2) / kRecords;
        offset_squares += std::pow(fit->offset, 2) / kRecords;
      }
      const double w = kTwoPi * frequency_hz / fs.hz;
      const Eigen::Matrix4d bound = bounds(amplitude, 0.9, w, n, noise);
      const double to_hz = fs.hz / kTwoPi;
      CAPTURE(n);
      CAPTURE(snr_db);
      // A variance from 400 records scatters by 7 %; four of those.
      CHECK(within(frequency_squares / (bound(3, 3) * to_hz * to_hz), 1, 0.28));
      CHECK(within(amplitude_squares / bound(0, 0), 1, 0.28));
      CHECK(within(offset_squares / bound(2, 2), 1, 0.28));
      // The known closed form, 2 s^2 / N, for the amplitude.
      CHECK(within(bound(0, 0) / (2 * noise * noise / static_cast<double>(n)), 1, 0.05));
    }
  }
}

TEST_CASE("a guess half a bin off is refined to a small part of a bin of the whole") {
  const SampleRate fs{48000};
  std::vector<double> x(48000);
  add_line(x, fs, {997.123, 0.5, 1});
  const double refined_hz = refine_frequency(x, fs, {997.123 + 7}).value;  // bins of 16 Hz at first
  CHECK(within(refined_hz, 997.123, 1e-4));
}

TEST_CASE("what is no sine has no fit") {
  const SampleRate fs{48000};
  for (const double constant : {0.0, 0.3, -0.7}) {
    CHECK(!find_peak(std::vector<double>(100, constant), fs).has_value());
    CHECK(!find_peak(std::vector<double>(48000, constant), fs).has_value());
  }
  CHECK(!fit_sine(std::vector<double>(100, 0.0), fs, {1000}).has_value());
  const std::vector<double> few(15);
  CHECK_THROWS_AS((void)find_peak(few, fs), std::invalid_argument);
  CHECK_THROWS_AS((void)fit_sine(few, fs, {1000}), std::invalid_argument);
  const std::vector<double> x(100, 0.1);
  CHECK_THROWS_AS((void)fit_sine(x, fs, {24000}), std::invalid_argument);
  CHECK_THROWS_AS((void)fit_sine_at(x, fs, {0}), std::invalid_argument);
}
