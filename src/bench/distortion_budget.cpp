#include "bench/distortion_budget.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kInfinite = std::numeric_limits<double>::infinity();

// What the residual's unknown phases leave open, relative to the value; the rest of `standard`,
// from noise, is normal.
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
      budget.push_back(
          arcsine("sound card's harmonic " + std::to_string(harmonic.order), amplitude));
      of_phases += amplitude * amplitude / 2;
    }
  }
  const double scale = of_phases > variance ? std::sqrt(variance / of_phases) : 1;
  for (Component& component : budget) component.standard *= scale;
  budget.push_back(type_a("noise", std::sqrt(std::max(0.0, variance - of_phases)), kInfinite));
  return budget;
}

}  // namespace

double harmonics_response(std::span<const MeasuredHarmonic> harmonics,
                          const SoundCardResidual& residual, std::size_t channel,
                          const OperatingPoint& at) {
  double power = 0;
  double raised = 0;
  for (const MeasuredHarmonic& harmonic : harmonics) {
    const double ratio_ms = harmonic.ratio * harmonic.ratio;
    const auto response_db =
        residual.response_db(channel, harmonic.order * at.frequency_hz, at.frequency_hz);
    power += ratio_ms;
    raised += ratio_ms * std::abs(amplitude_ratio_of_db(response_db.value_or(0)) - 1);
  }
  return power > 0 ? raised / power : 0;
}

std::vector<Component> distortion_budget(const Limited& limited,
                                         std::span<const MeasuredHarmonic> harmonics,
                                         const SoundCardResidual& residual, std::size_t channel,
                                         const OperatingPoint& at, double spread) {
  if (!(limited.value > 0)) return {};
  std::vector<Component> budget = residual_budget(limited, harmonics, residual, channel, at);
  budget.push_back(type_a("repeatability", spread / limited.value, kInfinite));
  budget.push_back(rectangular("response of the sound card",
                               harmonics_response(harmonics, residual, channel, at)));
  return budget;
}

}  // namespace sinewright
