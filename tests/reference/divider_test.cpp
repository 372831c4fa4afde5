// The divider's formulas against worked examples and tables. "Handbook" below: the worked example
// of R1 10 kohm, R2 300 ohm, computed apart from this code by Ohm's law.
#include "bench/divider.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "bench/attenuator.h"
#include "bench/clamp.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr double kNoInput_ohm = 1e15;
constexpr double kBand_hz = 19980;
constexpr double kPrinted_db = 0.005;  // two decimals in print

}  // namespace

TEST_CASE("the worked divider, by itself") {
  const Attenuator divider{10000, 300, kNoInput_ohm};
  CHECK(within(ratio_of(divider), 34.33, 0.005));
  CHECK(within(-20 * std::log10(ratio_of(divider)), -30.71, kPrinted_db));
  // 100 W into 8 ohm: 28.28 V RMS, 40 V peak.
  CHECK(within(40 / ratio_of(divider), 1.165, 0.0005));
  // 75 mW: V^2 R1 / (R1 + R2)^2 = 800 * 10000 / 10300^2.
  CHECK(within(top_w(divider, std::sqrt(800.0)), 0.0754, 0.00005));
  // The input connected makes no difference to R1: the example prints 283 ohm with it.
  CHECK(within(100 * 8 / total_ohm(divider), 0.08, 0.005));
}

TEST_CASE("the worked divider with its input of 10 kohm") {
  const Attenuator divider{10000, 300, 10000};
  CHECK(within(loading_db(divider), -0.249, 0.0005));
  CHECK(within(source_ohm(divider), 283, 0.5));
  // R1 || (R2 || Rin) = R1 / ratio.
  CHECK(within(source_ohm(divider), 10000 / ratio_of(divider), 1e-9));
  CHECK(within(pole_hz(source_ohm(divider), 1e-9), 562e3, 500));
  CHECK(within(thermal_noise_vrms(source_ohm(divider), kBand_hz, 300), 0.31e-6, 0.005e-6));
}

TEST_CASE("thermal noise of the usual table, 300 K, 19.98 kHz") {
  // Johnson 1928, Nyquist 1928; k as in the SI of 2019.
  CHECK(within(thermal_noise_vrms(50, kBand_hz, 300), 0.129e-6, 0.0005e-6));
  CHECK(within(thermal_noise_vrms(1000, kBand_hz, 300), 0.575e-6, 0.0005e-6));
  CHECK(within(thermal_noise_vrms(10000, kBand_hz, 300), 1.82e-6, 0.005e-6));
  CHECK(within(thermal_noise_vrms(47000, kBand_hz, 300), 3.94e-6, 0.005e-6));
  CHECK(within(thermal_noise_vrms(1000, 1, 300), 4.07e-9, 0.005e-9));
}

TEST_CASE("metal film is derated as MIL-PRF-39017's guidance has it") {
  // As reproduced in an engineering reference: 100 % to 70 C, 80 % 85 C, 60 % 100 C, 40 % 120 C,
  // 20 % 140 C, 10 % 145 C.
  struct Row {
    double ambient_c, part;
  };
  for (const Row& row : {Row{-40, 1}, Row{70, 1}, Row{85, 0.8}, Row{100, 0.6}, Row{120, 0.4},
                         Row{140, 0.2}, Row{145, 0.1}, Row{150, 0}, Row{200, 0}}) {
    CAPTURE(row.ambient_c);
    CHECK(within(metal_film_derating(row.ambient_c), row.part, 1e-12));
  }
  CHECK(within(metal_film_derating(110), 0.5, 1e-12));  // half way between two rows
}

TEST_CASE("an open R2 and the tolerance follow Ohm's law") {
  const Attenuator divider{10000, 300, 10000};
  CHECK(within(open_bottom_v(divider, 40), 20, 1e-12));
  CHECK(within(pole_loss_db(1000, 1000), 3.0103, 0.00005));  // half the power at the pole
  // Without an input: 1 + 10000 (1 -+ 1 %) / (300 (1 +- 1 %)).
  const RatioBounds bounds = ratio_bounds({10000, 300, kNoInput_ohm}, 1);
  CHECK(within(bounds.low, 1 + 9900.0 / 303, 1e-9));
  CHECK(within(bounds.high, 1 + 10100.0 / 297, 1e-9));
}

namespace {

/// Amplitude of the third harmonic of `f(sin x)`, by summation over a period: a slow second way.
template <typename F>
double third_harmonic(F f) {
  constexpr int kPoints = 20000;
  double sum = 0;
  for (int i = 0; i < kPoints; ++i) {
    const double x = 2 * std::numbers::pi * i / kPoints;
    sum += f(std::sin(x)) * std::sin(3 * x);
  }
  return std::abs(2 * sum / kPoints);
}

}  // namespace

TEST_CASE("third harmonics agree with the Fourier sum of the law they come from") {
  const double coefficient = 1e-6, peak_v = 20;
  const double resistor =
      third_harmonic([&](double s) { return coefficient * peak_v * s * std::abs(s); });
  CHECK(within(voltage_coefficient_dbc(1, peak_v), 20 * std::log10(resistor), 0.001));

  for (const int count : {1, 2, 3}) {
    CAPTURE(count);
    const Clamp clamp{kRedLed, count};
    const double volts = 1.1 * count, source = 300;
    const double diode_v = third_harmonic([&](double s) {
      const double v = volts * s;
      return source * (v < 0 ? -clamp_a(clamp, v) : clamp_a(clamp, v));
    });
    const double expected_dbc = 20 * std::log10(diode_v / volts);
    CHECK(within(clamp_third_harmonic_dbc(clamp, volts, source), expected_dbc, 0.01));
  }
}

TEST_CASE("diodes drop what they are said to, and obey Kirchhoff") {
  // Shockley: v = n VT ln(i / Is); the models' own figures.
  CHECK(within(clamped_v({kRedLed, 1}, 1e-3 * 10000 + 1.65, 10000), 1.65, 0.01));
  CHECK(within(clamped_v({kSiliconDiode, 1}, 1e-2 * 1000 + 0.68, 1000), 0.68, 0.01));
  const Clamp clamp{kRedLed, 3};
  const double held = clamped_v(clamp, 30, 5000);
  CHECK(within(held + 5000 * clamp_a(clamp, held), 30, 1e-6));
  CHECK(within(clamp_third_harmonic_dbc(clamp, clean_peak_v(clamp, 300, -120), 300), -120, 1e-6));
}
