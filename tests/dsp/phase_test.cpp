// dsp/phase.h against long double arithmetic and hand-made exact cases.
#include "dsp/phase.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <limits>
#include <random>

#include "within.h"

using namespace sinewright;

namespace {

double ulp(double value) {
  const double magnitude = std::abs(value);
  return std::nextafter(magnitude, std::numeric_limits<double>::infinity()) - magnitude;
}

/// Error in ulp; components below 1e-8 are held to 1e-24 absolute, which counts as 1 ulp of 1e-8.
double error_ulp(double value, long double expected) {
  const auto error = static_cast<double>(std::abs(value - expected));
  return std::abs(value) < 1e-8 ? error / 1e-24 : error / ulp(value);
}

constexpr std::uint64_t kTurnQuarter = std::uint64_t{1} << 62;

}  // namespace

TEST_CASE("a phase step is the exactly rounded share of 2^64") {
  CHECK(phase_step(Hertz{12000}, SampleRate{48000}) == kTurnQuarter);
  CHECK(phase_step(Hertz{24000}, SampleRate{48000}) == kTurnQuarter * 2);
  CHECK(phase_step(Hertz{48000}, SampleRate{48000}) == 0);
  CHECK(phase_step(Hertz{-12000}, SampleRate{48000}) == 3 * kTurnQuarter);
  // 2^64 / 3 = 6148914691236517205.33, 2^64 * 2 / 3 = 12297829382473034410.67, by hand.
  CHECK(phase_step(Hertz{1}, SampleRate{3}) == 6148914691236517205ULL);
  CHECK(phase_step(Hertz{2}, SampleRate{3}) == 12297829382473034411ULL);
  // 997 * 2^64 / 48000 in whole-number arithmetic.

  CHECK(phase_step(Hertz{997}, SampleRate{48000}) == 383154246697675478ULL);
}

TEST_CASE("a phase step refuses what is no ratio") {
  CHECK_THROWS_AS((void)phase_step(Hertz{1}, SampleRate{0}), std::invalid_argument);
  CHECK_THROWS_AS((void)phase_step(Hertz{NAN}, SampleRate{48000}), std::invalid_argument);
}

TEST_CASE("unit phasors are exact at the quarter turns") {
  CHECK(unit_phasor(0) == std::complex<double>(1, 0));
  CHECK(unit_phasor(kTurnQuarter) == std::complex<double>(0, 1));
  CHECK(unit_phasor(2 * kTurnQuarter) == std::complex<double>(-1, 0));
  CHECK(unit_phasor(3 * kTurnQuarter) == std::complex<double>(0, -1));
}

TEST_CASE("unit phasors lie within 1 ulp of the long double functions") {
  // Where long double is double, the reference itself is only good to 1 ulp.
  const bool has_long_double = std::numeric_limits<long double>::digits >= 64;
  const double allowed_ulp = has_long_double ? 1.0 : 3.0;
  std::mt19937_64 random(1);
  double worst_ulp = 0;
  for (int i = 0; i < 200000; ++i) {
    // Every other draw is close to a quarter turn, where one component is small.
    std::uint64_t phase = random();
    if (i % 4 == 1) phase = (phase & (3 * kTurnQuarter)) + (random() >> (2 + i % 60));
    if (i % 4 == 3) phase = (phase & (3 * kTurnQuarter)) - (random() >> (2 + i % 60));
    // Reduced to +-1/8 turn for the reference: a 63-bit fraction is exact in 64 bits of mantissa.
    const std::uint64_t quarter = (phase + (kTurnQuarter >> 1)) / kTurnQuarter;
    const auto offset = static_cast<std::int64_t>(phase - quarter * kTurnQuarter);
    const long double angle = std::ldexp(static_cast<long double>(offset), -64) * 2 *
                              3.14159265358979323846264338327950288L;
    const long double c = std::cos(angle);
    const long double s = std::sin(angle);
    const long double re[] = {c, -s, -c, s};
    const long double im[] = {s, c, -s, -c};
    const auto z = unit_phasor(phase);
    worst_ulp = std::max(
        {worst_ulp, error_ulp(z.real(), re[quarter % 4]), error_ulp(z.imag(), im[quarter % 4])});
  }
  CAPTURE(worst_ulp);
  CHECK(worst_ulp <= allowed_ulp);
}

TEST_CASE("a run of phasors equals the single ones") {
  std::complex<double> run[5];
  unit_phasors(17, kTurnQuarter / 3, run);
  for (std::uint64_t n = 0; n < 5; ++n) CHECK(run[n] == unit_phasor(17 + n * (kTurnQuarter / 3)));
}
