#include "measure/distortion_limits.h"

#include <algorithm>
#include <cmath>
#include <vector>

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

// How far the input's response may have raised or lowered the harmonics beside the tone. How it is
// shared between output and input is not known, so up to all of it; relative.
double response_half_width(const ReadingContext& context, std::size_t channel,
                           const ToneChannel& tone) {
  double power = 0;
  double raised = 0;
  for (const HarmonicLevel& level : tone.harmonics) {
    const double ratio_ms = std::max(0.0, level.power_ratio);
    const auto response_db =
        context.residual->response_db(channel, level.frequency_hz, tone.frequency_hz);
    power += ratio_ms;
    raised += ratio_ms * std::abs(amplitude_ratio_of_db(response_db.value_or(0)) - 1);
  }
  return power > 0 ? raised / power : 0;
}

// What the residual's unknown phases leave open, an arcsine for each harmonic and converter,
// relative to `value`; the rest of `standard`, from noise, is normal.
std::vector<Component> residual_budget(const Limited& limited,
                                       std::span<const MeasuredHarmonic> harmonics,
                                       const SoundCardResidual& residual, std::size_t channel,
                                       const OperatingPoint& at) {
  const double value_ms = limited.value * limited.value;
  const double variance = limited.standard * limited.standard / value_ms;
  std::vector<Component> budget;
  double of_phases = 0;
  for (const MeasuredHarmonic& harmonic : harmonics) {
    for (const double part : residual.harmonic(channel, harmonic.order, at).parts) {
      const double amplitude = harmonic.ratio * part / value_ms;
      if (!(amplitude > 0)) continue;
      budget.push_back(arcsine("sound card's residual", amplitude));
      of_phases += amplitude * amplitude / 2;
    }
  }
  const double scale = of_phases > variance ? std::sqrt(variance / of_phases) : 1;
  for (Component& component : budget) component.standard *= scale;
  budget.push_back(type_a("noise", std::sqrt(std::max(0.0, variance - of_phases)),
                          Repeatability{}.degrees_of_freedom));
  return budget;
}

// `spread`: a standard deviation that is not in `limited` yet; `response`: relative half-width.
RatioLimits limits_of(const Limited& limited, std::vector<Component> budget, double spread,
                      double response) {
  RatioLimits limits;
  limits.is_sound_card = limited.is_sound_card;
  limits.interval = Interval{std::max(0.0, limited.interval.low * (1 - response) - 2 * spread),
                             limited.interval.high * (1 + response) + 2 * spread};
  if (limited.is_sound_card || !(limited.value > 0)) return limits;
  limits.own = limited.value;
  budget.push_back(
      type_a("repeatability", spread / limited.value, Repeatability{}.degrees_of_freedom));
  budget.push_back(rectangular("response of the sound card", response));
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
  const double response = response_half_width(context, index, tone);
  const SoundCardResidual& residual = *context.residual;
  const Limited thd = limit_thd(harmonics, residual, index, at);
  const NoiseMeasured noise{tone.fundamental_rms, tone.noise_rms, noise_deviation(tone)};
  const Limited thd_n = limit_thd_n(harmonics, noise, residual, index, at);
  const auto budget_of = [&](const Limited& limited) {
    return limited.value > 0 ? residual_budget(limited, harmonics, residual, index, at)
                             : std::vector<Component>();
  };
  DistortionLimits limits;
  limits.thd = limits_of(thd, budget_of(thd), harmonics_deviation(tone), response);
  // The spread of noise and harmonics is in the noise's deviation already.
  limits.thd_n = limits_of(thd_n, budget_of(thd_n), 0, response);
  return limits;
}

}  // namespace sinewright
