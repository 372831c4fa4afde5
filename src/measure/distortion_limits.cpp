#include "measure/distortion_limits.h"

#include <algorithm>
#include <cmath>
#include <span>
#include <vector>

#include "bench/distortion_budget.h"

namespace sinewright {
namespace {

std::vector<MeasuredHarmonic> measured_harmonics(const ToneChannel& tone) {
  std::vector<MeasuredHarmonic> harmonics;
  for (const HarmonicLevel& level : tone.harmonics) {
    harmonics.push_back({level.order, std::sqrt(std::max(0.0, level.power_ratio))});
  }
  return harmonics;
}

// Standard deviation of the root sum of squares of all harmonics, in ratio to the tone.
double harmonics_deviation(const ToneChannel& tone) {
  double power = 0;
  double variance = 0;
  for (const HarmonicLevel& level : tone.harmonics) {
    const double ratio_ms = std::max(0.0, level.power_ratio);
    power += ratio_ms;
    variance += ratio_ms * level.deviation * level.deviation;
  }
  return power > 0 ? std::sqrt(variance / power) : 0;
}

// `spread`: a standard deviation that is not in `limited` yet; `response`: relative half-width.
RatioLimits limits_of(const Limited& limited, std::span<const Component> budget, double spread,
                      double response) {
  RatioLimits limits;
  limits.is_sound_card = limited.is_sound_card;
  limits.interval = Interval{std::max(0.0, limited.interval.low * (1 - response) - 2 * spread),
                             limited.interval.high * (1 + response) + 2 * spread};
  if (limited.is_sound_card || !(limited.value > 0)) return limits;
  limits.own = limited.value;
  limits.relative = combine(budget);
  return limits;
}

}  // namespace

OperatingPoint operating_point(const ReadingContext& context, const ToneChannel& tone) {
  return {tone.frequency_hz, dbfs_of_rms(tone.fundamental_rms), context.drive_dbfs};
}

double noise_deviation(const ToneChannel& tone) {
  if (!(tone.noise_rms > 0) || !(tone.level_rms > 0)) return 0;
  // thd_n is made of noise and harmonics; all of its spread as the noise's is an upper bound.
  const double distortion_ms = std::pow(tone.thd_n * tone.level_rms, 2);
  return tone.thd_n_deviation * distortion_ms / (tone.noise_rms * tone.noise_rms);
}

DistortionLimits distortion_limits(const ReadingContext& context, const std::string& channel,
                                   const ToneChannel& tone) {
  if (!knows_sound_card(context, channel)) return {};
  const std::size_t index = channel_index(context, channel);
  const OperatingPoint at = operating_point(context, tone);
  const std::vector<MeasuredHarmonic> harmonics = measured_harmonics(tone);
  const SoundCardResidual& residual = *context.residual;
  const double response = harmonics_response(harmonics, residual, index, at);
  const Limited thd = limit_thd(harmonics, residual, index, at);
  const NoiseMeasured noise{tone.fundamental_rms, tone.noise_rms, noise_deviation(tone)};
  const Limited thd_n = limit_thd_n(harmonics, noise, residual, index, at);
  const auto opened = [&](const Limited& limited, double spread) {
    const std::vector<Component> budget =
        distortion_budget(limited, harmonics, residual, index, at, spread);
    return limits_of(limited, budget, spread, response);
  };
  DistortionLimits limits;
  limits.thd = opened(thd, harmonics_deviation(tone));
  // The spread of noise and harmonics is in the noise's deviation already.
  limits.thd_n = opened(thd_n, 0);
  return limits;
}

}  // namespace sinewright
