// THD and THD+N where the sound card has a share: the interval and the standard uncertainty by
// hand, and by Monte Carlo whether the unit's own lies where it is said to.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <stdexcept>
#include <vector>

#include "bench/residual.h"
#include "sample_loopback.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kRounding = 1e-12;  // relative, a handful of double operations
constexpr double kPi = std::numbers::pi;

double db_of_ratio(double ratio) { return 20 * std::log10(ratio); }

/// A loopback whose harmonics 2, 3 ... have these ratios at every level, and this noise (mean
/// square) of the input alone.
SoundCardResidual flat_residual(std::span<const double> ratios, double input_noise_ms = 1e-30) {
  const double noise_dbfs = 10 * std::log10(2 * input_noise_ms);
  Loopback loopback;
  for (const double drive_dbfs : {-20., -10.}) {
    LoopbackTone flat = tone(1000, drive_dbfs, drive_dbfs, -200, noise_dbfs);
    for (auto& channel : flat.channels) {
      channel.floor_dbc = -300;
      channel.harmonics.clear();
      for (std::size_t i = 0; i < ratios.size(); ++i) {
        channel.harmonics.push_back({static_cast<int>(i) + 2, db_of_ratio(ratios[i]), 0});
      }
    }
    loopback.tones.push_back(flat);
  }
  loopback.input_noise_dbfs = {noise_dbfs, noise_dbfs};
  return SoundCardResidual(loopback);
}

const OperatingPoint kBetween{1000, -15, -15.};

TEST_CASE("THD lies between difference and sum of harmonics and residual") {
  const double r[] = {0.2, 0.5};
  const MeasuredHarmonic m[] = {{2, 0.5}, {3, 0.4}};
  const Limited thd = limit_thd(m, flat_residual(r), 0, kBetween);
  CHECK(within(thd.value, std::hypot(0.5, 0.4), kRounding));
  CHECK(within(thd.interval.low, 0.3, kRounding));  // the third may be the sound card's alone
  CHECK(within(thd.interval.high, std::hypot(0.7, 0.9), kRounding));
  CHECK(thd.is_sound_card);

  // Outside the loopback there is no lower end.
  CHECK(limit_thd(m, flat_residual(r), 0, {1000, -5, -5.}).interval.low == 0);

  // 6 % either way is the rule.
  const double near[] = {0.031}, far[] = {0.029};
  CHECK(limit_thd({m, 1}, flat_residual(near), 0, kBetween).is_sound_card);
  CHECK_FALSE(limit_thd({m, 1}, flat_residual(far), 0, kBetween).is_sound_card);
}

TEST_CASE("one small residual has the standard uncertainty of an arcsine distribution") {
  const double r[] = {1e-4};
  const MeasuredHarmonic m[] = {{2, 1e-2}};
  // To second order less r^2 / 16 m^2 of the variance: 3e-6 of u.
  CHECK(within(limit_thd(m, flat_residual(r), 0, kBetween).standard, 1e-4 / std::sqrt(2.0), 1e-9));
  // Two alike, each counts by its share of the sum: r / sqrt(2) * sqrt(2 / 2).
  const double twice[] = {1e-4, 1e-4};
  const MeasuredHarmonic both[] = {{2, 1e-2}, {3, 1e-2}};
  CHECK(within(limit_thd(both, flat_residual(twice), 0, kBetween).standard, 1e-4 / std::sqrt(2.0),
               1e-9));
}

TEST_CASE("without residual the interval collapses onto the reading") {
  const double r[] = {1e-15};
  const MeasuredHarmonic m[] = {{2, 0.01}, {3, 0.02}};
  const Limited thd = limit_thd(m, flat_residual(r), 0, kBetween);
  CHECK(within(thd.interval.low, thd.value, 1e-14));
  CHECK(within(thd.interval.high, thd.value, 1e-14));
  CHECK(thd.standard < 1e-14);
  CHECK_FALSE(thd.is_sound_card);
  const Limited thd_n = limit_thd_n(m, {1, 0.03, 0}, flat_residual(r), 0, kBetween);
  const double x = 0.01 * 0.01 + 0.02 * 0.02 + 0.03 * 0.03;
  CHECK(within(thd_n.value, std::sqrt(x / (1 + x)), kRounding));  // relative to the total, AES17
  CHECK(within(thd_n.interval.low, thd_n.value, 1e-14));
  CHECK(within(thd_n.interval.high, thd_n.value, 1e-14));
}

TEST_CASE("a larger residual never narrows, and the value stays inside") {
  const MeasuredHarmonic m[] = {{2, 0.01}, {3, 0.003}, {4, 0.0005}};
  Limited before_thd, before_thd_n;
  for (int step = 0; step < 40; ++step) {
    const double scale = 1e-5 * std::pow(1.3, step);  // to 0.3 of the tone
    const double r[] = {scale, scale / 2, scale};
    const SoundCardResidual residual = flat_residual(r, scale * scale / 4);
    const Limited thd = limit_thd(m, residual, 0, kBetween);
    const Limited thd_n = limit_thd_n(m, {1, 0.002, 0.02}, residual, 0, kBetween);
    CAPTURE(scale);
    for (const Limited& limited : {thd, thd_n}) {
      CHECK(limited.interval.low <= limited.value);
      CHECK(limited.value <= limited.interval.high);
      CHECK(std::isfinite(limited.standard));
      CHECK(limited.standard > 0);
    }
    if (step > 0) {
      CHECK(thd.interval.low <= before_thd.interval.low);
      CHECK(thd.interval.high >= before_thd.interval.high);
      CHECK(thd.standard > before_thd.standard);
      CHECK(thd_n.interval.low <= before_thd_n.interval.low);
    }
    before_thd = thd;
    before_thd_n = thd_n;
  }
}

TEST_CASE("nothing measured has a standard uncertainty still") {
  const double r[] = {0.01};
  const MeasuredHarmonic m[] = {{2, 0}};
  const Limited thd = limit_thd(m, flat_residual(r), 0, kBetween);
  CHECK(thd.value == 0);
  CHECK(within(thd.interval.high, 0.01, kRounding));
  CHECK(within(thd.standard, 0.01, kRounding));  // then the unit's own is as large as the residual
  const Limited noise = limit_thd_n({}, {1, 0.01, 0.1}, flat_residual(r, 1e-4), 0, kBetween);
  CHECK(noise.value < 1e-8);
  CHECK(noise.standard > 1e-3);
  CHECK(noise.standard < noise.interval.high);
}

TEST_CASE("THD+N outside the loopback is an upper bound that takes no noise out") {
  const double r[] = {0.001};
  const SoundCardResidual residual = flat_residual(r, 1e-6);
  const MeasuredHarmonic m[] = {{2, 0.002}};
  const Limited inside = limit_thd_n(m, {1, 0.003, 0}, residual, 0, kBetween);
  const Limited outside = limit_thd_n(m, {1, 0.003, 0}, residual, 0, {1000, -5, -5.});
  const auto of_total = [](double squared) { return std::sqrt(squared / (1 + squared)); };
  CHECK(within(inside.value, of_total(4e-6 + 8e-6), kRounding));
  CHECK(within(inside.interval.low, of_total(1e-6 + 8e-6), kRounding));
  CHECK(within(inside.interval.high, of_total(9e-6 + 8e-6), kRounding));
  CHECK(outside.interval.low == 0);
  CHECK(within(outside.interval.high, of_total(9e-6 + 9e-6), kRounding));
}

TEST_CASE("a share of noise that stays open opens the interval, and the value takes its middle") {
  Loopback loopback;
  for (const double drive_dbfs : {-15., 0.}) {
    loopback.tones.push_back(tone(1000, drive_dbfs, drive_dbfs, -300, 10 * std::log10(2e-6)));
  }
  const SoundCardResidual residual(loopback);
  // The unit halves the power, and so the output's noise: of 1e-6 in the loopback there come 1e-6
  // if all is the input's, 0.5e-6 if all is the output's.
  const OperatingPoint at{1000, -15, -15 + 10 * std::log10(2.)};
  const Limited thd_n = limit_thd_n({}, {1, 0.002, 0.01}, residual, 0, at);
  const auto of_total = [](double squared) { return std::sqrt(squared / (1 + squared)); };
  constexpr double kOfDecibels = 1e-15;
  CHECK(within(thd_n.value, of_total(4e-6 - 0.75e-6), kOfDecibels));
  CHECK(within(thd_n.interval.low, of_total(4e-6 * 0.98 * 0.98 - 1e-6), kOfDecibels));
  CHECK(within(thd_n.interval.high, of_total(4e-6 * 1.02 * 1.02 - 0.5e-6), kOfDecibels));
  // Of the power: 2 % of 4e-6 from the deviation, 0.5e-6 / sqrt(12) from the share (JCGM 100,
  // 4.3.7); of its root, that over twice the root. The bend of the root near 0 adds 0.1 % here.
  const double power = std::hypot(0.08e-6, 0.5e-6 / std::sqrt(12.0));
  CHECK(within(thd_n.standard, power / (2 * std::sqrt(3.25e-6)), 1e-3 * thd_n.standard));
}

TEST_CASE("residuals where the unit has no harmonic only raise the reading, and that is counted") {
  // The unit has a second harmonic, the sound card eight others of a quarter of it. To first order
  // they would hardly count: u would be 0.10 of it, the error is 0.22.
  const std::vector<double> r = {1e-10,  2.5e-3, 2.5e-3, 2.5e-3, 2.5e-3,
                                 2.5e-3, 2.5e-3, 2.5e-3, 2.5e-3};
  const double own = 0.01;
  std::vector<MeasuredHarmonic> m;
  for (std::size_t i = 0; i < r.size(); ++i) m.push_back({int(i) + 2, i == 0 ? own : r[i]});
  const Limited thd = limit_thd(m, flat_residual(r), 0, kBetween);
  const double error = thd.value - own;
  CHECK(within(error, 0.01 * (std::sqrt(1.5) - 1), kRounding));
  CHECK(error < 1.2 * thd.standard);
  CHECK(thd.standard < 1.2 * error);
  CHECK(thd.interval.low <= own);
}

TEST_CASE("power subtraction errs by -9.6 to +2.8 dB where the interval always holds the truth") {
  // Residual r = 0.445 of the unit's own, a: m^2 = a^2 + r^2 + 2 a r cos(phase), so that m^2 - r^2
  // is a^2 (1 + 2 * 0.445 cos(phase)): 10 lg 0.11 = -9.6 dB to 10 lg 1.89 = +2.8 dB.
  const double own = 0.01, r[] = {0.445 * own};
  const SoundCardResidual residual = flat_residual(r);
  double lowest_db = 0, highest_db = 0;
  for (int degrees = 0; degrees < 360; ++degrees) {
    const MeasuredHarmonic m[] = {{2, std::abs(own + std::polar(r[0], degrees * kPi / 180))}};
    const double subtracted = std::sqrt(m[0].ratio * m[0].ratio - r[0] * r[0]);
    lowest_db = std::min(lowest_db, db_of_ratio(subtracted / own));
    highest_db = std::max(highest_db, db_of_ratio(subtracted / own));
    const Limited thd = limit_thd(m, residual, 0, kBetween);
    CHECK(thd.interval.low <= own + kRounding);
    CHECK(thd.interval.high >= own - kRounding);
  }
  CHECK(within(lowest_db, -9.6, 0.05));  // as printed, to a tenth
  CHECK(within(highest_db, 2.8, 0.05));
}

TEST_CASE("what cannot be limited") {
  const SoundCardResidual residual = square_law();
  const OperatingPoint at{1000, -12, -11.};
  const MeasuredHarmonic negative[] = {{2, -0.1}};
  CHECK_THROWS_AS(static_cast<void>(limit_thd(negative, residual, 0, at)), std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(limit_thd_n({}, {0, 1, 0}, residual, 0, at)),
                  std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(limit_thd_n({}, {1, -1, 0}, residual, 0, at)),
                  std::invalid_argument);
}

// ---- Monte Carlo --------------------------------------------------------------------------------

/// What a bench draws: harmonics of the unit spread over 40 dB, each with a residual of its own.
struct Draws {
  int harmonics = 1;
  double largest_residual = 0.5;  ///< relative to the unit's own harmonic
  double noise_deviation = 0;     ///< 0: THD alone, else THD+N
};

struct Coverage {
  double rms = 0;      ///< of error / standard
  double covered = 0;  ///< share of intervals that hold the truth
  double width = 0;    ///< mean interval, relative to 95.45 % of the distribution (JCGM 101)
};

/// Random benches, measured.
Coverage coverage(const Draws& draws, unsigned seed, int count) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> unit(0, 1);
  std::normal_distribution<double> normal;
  Coverage result;
  for (int drawn = 0; drawn < count; ++drawn) {
    std::vector<double> r;
    std::vector<MeasuredHarmonic> m;
    double own = 0;
    for (int i = 0; i < draws.harmonics; ++i) {
      const double a = std::pow(10, -2 - 2 * unit(random));
      r.push_back(a * draws.largest_residual * (0.02 + 0.98 * unit(random)));
      m.push_back({i + 2, std::abs(a + std::polar(r.back(), 2 * kPi * unit(random)))});
      own += a * a;
    }
    double sound_card_ms = 1e-30, noise_ms = 0;
    if (draws.noise_deviation > 0) {
      const double own_ms = own * unit(random);
      sound_card_ms += own_ms * unit(random);
      own += own_ms;
      noise_ms = (own_ms + sound_card_ms) * std::pow(1 + draws.noise_deviation * normal(random), 2);
    }
    const SoundCardResidual residual = flat_residual(r, sound_card_ms);
    Limited limited;
    double truth = std::sqrt(own);
    if (draws.noise_deviation > 0) {
      limited =
          limit_thd_n(m, {1, std::sqrt(noise_ms), draws.noise_deviation}, residual, 1, kBetween);
      truth = std::sqrt(own / (1 + own));
    } else {
      limited = limit_thd(m, residual, 1, kBetween);
    }
    const double slack = kRounding * truth;  // of decibels and back
    result.rms += std::pow((limited.value - truth) / limited.standard, 2) / count;
    result.covered +=
        double(limited.interval.low <= truth + slack && truth - slack <= limited.interval.high) /
        count;
    // 95.45 % of the arcsine distribution lie within sin(0.9545 pi / 2) of its amplitude.
    const double arcsine = 2 * std::sin(0.9545 * kPi / 2) * *std::max_element(r.begin(), r.end());
    result.width += (limited.interval.high - limited.interval.low) / arcsine / count;
  }
  result.rms = std::sqrt(result.rms);
  return result;
}

// The squares have deviations of 0.7 (arcsine) to 1.4 (normal), so that their root mean square over
// 20 000 is known to 0.25 to 0.5 %; the formula, to second order, is right to 1 %. 3 % is asked
// for.
constexpr int kCount = 20000;
constexpr double kRms = 0.03;

TEST_CASE("over random benches THD errs by its standard uncertainty, and lies in its interval") {
  for (const int harmonics : {1, 2, 5, 9}) {
    for (const double largest : {0.1, 0.5}) {
      CAPTURE(harmonics);
      CAPTURE(largest);
      const int count = harmonics > 2 ? kCount / 2 : kCount;
      const Coverage thd = coverage({harmonics, largest, 0}, 41, count);
      CAPTURE(thd.rms);
      CHECK(within(thd.rms, 1, kRms));
      CHECK(thd.covered == doctest::Approx(1).epsilon(1e-9));  // the triangle's inequality
      CAPTURE(thd.width);
      // The sum of all bounds would be certain; one harmonic has no slack to give away.
      if (harmonics == 1) CHECK(thd.width <= 1.2);
    }
  }
}

TEST_CASE("over random benches THD+N errs by its standard uncertainty, and lies in its interval") {
  for (const int harmonics : {1, 2, 5}) {
    for (const double deviation : {0.002, 0.02}) {
      CAPTURE(harmonics);
      CAPTURE(deviation);
      const Coverage thd_n = coverage({harmonics, 0.5, deviation}, 43, kCount / 2);
      CAPTURE(thd_n.rms);
      CAPTURE(thd_n.covered);
      CHECK(within(thd_n.rms, 1, kRms));
      CHECK(thd_n.covered >= 0.95);
    }
  }
}

TEST_CASE("THD lies in its interval wherever the point stands among the loopback's levels") {
  // The residual follows its power law, at random levels of input and drive and between
  // frequencies.
  const SoundCardResidual residual = square_law();
  std::mt19937 random(47);
  std::uniform_real_distribution<double> unit(0, 1);
  double mean_square_error = 0;
  constexpr int kPoints = 20000;
  for (int i = 0; i < kPoints; ++i) {
    const OperatingPoint at{1000 * std::pow(4, unit(random)), -41 + 39 * unit(random),
                            -40 + 38 * unit(random)};
    const double law_dbc =
        -79 + at.input_dbfs + 12 * std::log(at.frequency_hz / 1000) / std::log(4);
    const double r = std::pow(10, law_dbc / 20), own = r * (2 + 20 * unit(random));
    const MeasuredHarmonic m[] = {{2, std::abs(own + std::polar(r, 2 * kPi * unit(random)))}};
    const Limited thd = limit_thd(m, residual, 0, at);
    REQUIRE(residual.harmonic(0, 2, at).is_bracketed);
    REQUIRE(thd.interval.low <= own * (1 + kRounding));
    REQUIRE(thd.interval.high >= own * (1 - kRounding));
    mean_square_error += std::pow((thd.value - own) / thd.standard, 2) / kPoints;
  }
  CHECK(within(std::sqrt(mean_square_error), 1, kRms));
}

}  // namespace
}  // namespace sinewright
