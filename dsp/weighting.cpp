#include "dsp/weighting.h"

#include <cmath>
#include <stdexcept>

namespace sinewright {
namespace {

// IEC 61672-1 Annex E, in Hz; printed there rounded to four digits.
constexpr double kA1 = 20.598997;
constexpr double kA2 = 107.652649;
constexpr double kA3 = 737.862231;
constexpr double kA4 = 12194.217148;

double unscaled_a_gain(double f) {
  const double f2 = f * f;
  return f2 * f2 /
         ((f2 + kA1 * kA1) * std::sqrt((f2 + kA2 * kA2) * (f2 + kA3 * kA3)) * (f2 + kA4 * kA4));
}

/// Poles of the 468 network in rad/s: two real, two pairs.
struct PolePair {
  double re, im;
};
constexpr double k468RealPoles[] = {-25903.70104782, -62675.17005847};
constexpr PolePair k468PolePairs[] = {{-23615.53521363, 36379.90893733},
                                      {-18743.74669072, 62460.15645251}};

std::complex<double> unscaled_468_response(double f) {
  const std::complex<double> s{0, kTwoPi * f};
  std::complex<double> h = s / -k468RealPoles[0];
  for (const double pole : k468RealPoles) h /= 1.0 - s / pole;
  for (const PolePair& pair : k468PolePairs) {
    const double square = pair.re * pair.re + pair.im * pair.im;
    h /= 1.0 + s * (-2 * pair.re + s) / square;
  }
  return h;
}

}  // namespace

double a_weighting_gain(Hertz frequency) {
  return unscaled_a_gain(frequency.value) / unscaled_a_gain(1000);
}

double a_weighting_db(Hertz frequency) {
  return db_of_amplitude_ratio(a_weighting_gain(frequency));
}

std::complex<double> itu_r_468_response(Hertz frequency) {
  return unscaled_468_response(frequency.value) / std::abs(unscaled_468_response(1000));
}

double itu_r_468_gain(Hertz frequency) { return std::abs(itu_r_468_response(frequency)); }

double itu_r_468_db(Hertz frequency) { return db_of_amplitude_ratio(itu_r_468_gain(frequency)); }

double ccir_rms_offset_db() { return -itu_r_468_db(Hertz{2000}); }

double weighting_gain(Weighting weighting, Hertz frequency) {
  switch (weighting) {
    case Weighting::kNone:
      return 1;
    case Weighting::kA:
      return a_weighting_gain(frequency);
    case Weighting::k468:
      return itu_r_468_gain(frequency);
  }
  throw std::invalid_argument("weighting_gain: weighting is not a Weighting");
}

}  // namespace sinewright
