// Phase as an integer of 2^64 steps a period, and sines of it good to the last digit.
#pragma once

#include <cmath>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <span>
#include <stdexcept>
#include <string>

#include "dsp/units.h"

namespace sinewright {

/// `turns` periods as a phase: its fractional part in steps of 2^-64 period, rounded. Exact long
/// division in doubles: doubling is exact, and so is the subtraction of 1 from a value in [1, 2).
/// Throws std::invalid_argument unless `numerator` is finite and `denominator` positive and finite.
[[nodiscard]] inline std::uint64_t phase_of_ratio(double numerator, double denominator) {
  if (!std::isfinite(numerator) || !std::isfinite(denominator) || !(denominator > 0)) {
    throw std::invalid_argument(
        "phase_of_ratio: needs a finite ratio of a positive denominator, got " +
        std::to_string(numerator) + " / " + std::to_string(denominator));
  }
  double remainder = std::fmod(std::abs(numerator), denominator);
  std::uint64_t phase = 0;
  for (int bit = 0; bit < 64; ++bit) {
    remainder *= 2;
    phase <<= 1;
    if (remainder >= denominator) {
      remainder -= denominator;
      phase |= 1;
    }
  }
  if (2 * remainder >= denominator) ++phase;
  return numerator < 0 ? std::uint64_t{0} - phase : phase;
}

/// Phase advance per sample, round(f / fs * 2^64): nowhere wrong by more than half a step, which
/// after a day at 192 kHz is 2e-7 of a degree. Unsigned wrap-around is the periodicity: the phase
/// at sample n is `start + n * step`. Negative frequencies and those above fs fold as sampling
/// does.
[[nodiscard]] inline std::uint64_t phase_step(Hertz frequency, SampleRate fs) {
  return phase_of_ratio(frequency.value, fs.hz);
}

/// The phase of an angle in radians (any number of turns); good to the rounding of the angle.
[[nodiscard]] inline std::uint64_t phase_of_radians(double radians) {
  return phase_of_ratio(radians, kTwoPi);
}

/// exp(j 2 pi phase / 2^64), each component within 1 ulp of the true value; a component below 1e-8,
/// which only phases within 2^-30 of a quarter turn have, within 1e-24.
///
/// The phase is reduced exactly to +-1/8 turn around the nearest quarter turn, turned into an angle
/// of two doubles, and put through Taylor polynomials long enough that what they leave out is below
/// 2^-58. Branch-free, so that loops over it vectorise; faster than std::sin and std::cos.
[[nodiscard]] inline std::complex<double> unit_phasor(std::uint64_t phase) {
  // 2 pi = kHigh + kLow, kHigh with 24 bits: its product with the 30-bit upper half is exact.
  constexpr double kHigh = 6.283185482025146484375;
  constexpr double kLow = -1.74845560007449713233441e-7;
  constexpr double kScale = 1.0 / 4294967296.0;  // 2^-32

  const std::uint64_t quarter = (phase + (std::uint64_t{1} << 61)) >> 62;
  const auto offset = static_cast<std::int64_t>(phase - (quarter << 62));
  // Halves rounded to nearest, or a small negative offset would be a difference of large ones.
  const auto upper_steps = static_cast<std::int32_t>((offset + (std::int64_t{1} << 31)) >> 32);
  const auto lower_steps = static_cast<std::int32_t>(offset - (std::int64_t{upper_steps} << 32));
  const double upper = upper_steps;
  const double lower = lower_steps;

  const double high = upper * (kHigh * kScale);
  const double low = upper * (kLow * kScale) + lower * (kTwoPi * kScale * kScale);
  const double x = high + low;
  const double x_low = low - (x - high);

  const double z = x * x;
  const double sin_tail =
      z * (-1.0 / 6 +
           z * (1.0 / 120 +
                z * (-1.0 / 5040 +
                     z * (1.0 / 362880 +
                          z * (-1.0 / 39916800 +
                               z * (1.0 / 6227020800.0 + z * (-1.0 / 1307674368000.0 +
                                                              z * (1.0 / 355687428096000.0))))))));
  const double cos_tail =
      z * z *
      (1.0 / 24 +
       z * (-1.0 / 720 +
            z * (1.0 / 40320 + z * (-1.0 / 3628800 +
                                    z * (1.0 / 479001600 + z * (-1.0 / 87178291200.0 +
                                                                z * (1.0 / 20922789888000.0)))))));
  const double half_z = 0.5 * z;
  const double near_cos = 1 - half_z;
  const double s = x + (x * sin_tail + x_low * near_cos);
  const double c = near_cos + (((1 - near_cos) - half_z) + (cos_tail - x * x_low));

  const bool swaps = (quarter & 1) != 0;
  const double cos_sign = ((quarter + 1) & 2) != 0 ? -1.0 : 1.0;
  const double sin_sign = (quarter & 2) != 0 ? -1.0 : 1.0;
  return {cos_sign * (swaps ? s : c), sin_sign * (swaps ? c : s)};
}

/// out[n] = unit_phasor(start + n * step).
inline void unit_phasors(std::uint64_t start, std::uint64_t step,
                         std::span<std::complex<double>> out) {
  for (std::size_t n = 0; n < out.size(); ++n) out[n] = unit_phasor(start + n * step);
}

}  // namespace sinewright
