// THD and THD+N as intervals: see residual.h for the rules.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "bench/residual.h"

namespace sinewright {
namespace {

/// More than this either way, and the sound card limits the reading: 0.5 dB.
constexpr double kLimiting = 0.06;

double square(double x) { return x * x; }

void require_not_negative(const char* name, double value) {
  if (!(value >= 0) || !std::isfinite(value)) {
    throw std::invalid_argument(std::string(name) + " " + std::to_string(value) +
                                ": must be finite and not negative");
  }
}

/// Sums over the harmonics, m measured and r the residual; all relative to the tone.
struct HarmonicSums {
  double measured = 0;   ///< sum m^2
  double low = 0;        ///< sum max(0, m - r)^2, r the highest
  double high = 0;       ///< sum (m + r)^2
  double residual = 0;   ///< sum r^2, r the typical
  double product = 0;    ///< sum (m r)^2, r each part of the typical
  double product_2 = 0;  ///< sum (m r)^4, likewise
};

HarmonicSums sums(std::span<const MeasuredHarmonic> harmonics, const SoundCardResidual& residual,
                  std::size_t channel, const OperatingPoint& at) {
  HarmonicSums sum;
  for (const MeasuredHarmonic& harmonic : harmonics) {
    const double m = harmonic.ratio;
    require_not_negative("harmonic ratio", m);
    const ResidualBound r = residual.harmonic(channel, harmonic.order, at);
    sum.measured += square(m);
    sum.low += r.is_bracketed ? square(std::max(0.0, m - r.highest)) : 0;
    sum.high += square(m + r.highest);
    sum.residual += square(r.typical);
    for (const double part : r.parts) {
      sum.product += square(m * part);
      sum.product_2 += square(square(m * part));
    }
  }
  return sum;
}

/// Mean square of what unknown phases of the residual add to sqrt(total), where `total` is the
/// square of all that counts, harmonics and noise.
double phase_variance(const HarmonicSums& sum, double total) {
  if (!(total > 0)) return sum.residual;
  const double v = sum.product / total / 2;
  const double q = 3 * square(v) - 3.0 / 8 * sum.product_2 / square(total);
  const double second_order = square(sum.residual) - 6 * sum.residual * v + 5 * q;
  return v + second_order / (4 * (total + sum.residual));
}

/// The variance that a spread `deviation` of a power gives to its root. At power 0 that is the mean
/// of the upper half of a normal distribution, deviation / sqrt(2 pi): so the pi / 8.
double variance_of_root(double power, double deviation) {
  if (!(deviation > 0)) return 0;
  return square(deviation) /
         (4 * std::sqrt(square(power) + std::numbers::pi / 8 * square(deviation)));
}

bool is_limiting(double value, const Interval& share) {
  return std::max(share.high - value, value - share.low) > kLimiting * value;
}

/// Squared ratio to the tone -> amplitude ratio to the total (AES17).
double of_total(double squared) { return std::sqrt(squared / (1 + squared)); }

}  // namespace

Limited limit_thd(std::span<const MeasuredHarmonic> harmonics, const SoundCardResidual& residual,
                  std::size_t channel, const OperatingPoint& at) {
  const HarmonicSums sum = sums(harmonics, residual, channel, at);
  Limited thd;
  thd.value = std::sqrt(sum.measured);
  thd.interval = {std::sqrt(sum.low), std::sqrt(sum.high)};
  thd.standard = std::sqrt(phase_variance(sum, sum.measured));
  thd.is_sound_card = is_limiting(thd.value, thd.interval);
  return thd;
}

Limited limit_thd_n(std::span<const MeasuredHarmonic> harmonics, const NoiseMeasured& noise,
                    const SoundCardResidual& residual, std::size_t channel,
                    const OperatingPoint& at) {
  if (!(noise.fundamental_rms > 0) || !std::isfinite(noise.fundamental_rms)) {
    throw std::invalid_argument("fundamental_rms " + std::to_string(noise.fundamental_rms) +
                                ": must be above 0");
  }
  require_not_negative("noise_rms", noise.noise_rms);
  require_not_negative("noise_deviation", noise.noise_deviation);

  const HarmonicSums sum = sums(harmonics, residual, channel, at);
  const bool is_bracketed = residual.harmonic(channel, 2, at).is_bracketed;
  const double tone_ms = square(noise.fundamental_rms);
  const NoiseShare share = residual.noise(channel, at);
  const double least = share.least_ms / tone_ms, most = share.most_ms / tone_ms;
  const double measured = square(noise.noise_rms) / tone_ms;

  const auto interval = [&](double deviations) {
    const double spread = deviations * noise.noise_deviation;
    const double noise_low = std::max(0.0, measured * square(std::max(0.0, 1 - spread)) - most);
    const double noise_high =
        std::max(0.0, measured * square(1 + spread) - (is_bracketed ? least : 0));
    return Interval{is_bracketed ? of_total(sum.low + noise_low) : 0,
                    of_total(sum.high + noise_high)};
  };

  const double total = sum.measured + std::max(0.0, measured - (least + most) / 2);
  const double noise_variance = square(2 * noise.noise_deviation * measured) +
                                square(most - least) / 12;  // rectangular, JCGM 100, 4.3.7
  Limited thd_n;
  thd_n.value = of_total(total);
  thd_n.interval = interval(2);
  thd_n.standard =
      std::sqrt(phase_variance(sum, total) + variance_of_root(total, std::sqrt(noise_variance))) *
      std::pow(1 + total, -1.5);  // d of_total / d sqrt(squared)
  thd_n.is_sound_card = is_limiting(thd_n.value, interval(0));
  return thd_n;
}

}  // namespace sinewright
