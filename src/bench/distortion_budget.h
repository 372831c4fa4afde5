// Uncertainty budgets of THD and THD+N: what the sound card and the noise leave open.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "bench/residual.h"
#include "bench/uncertainty.h"

namespace sinewright {

/// How far the input's response may have raised or lowered the harmonics beside the tone, relative.
/// How it is shared between output and input is not known, so up to all of it, either way.
[[nodiscard]] double harmonics_response(std::span<const MeasuredHarmonic> harmonics,
                                        const SoundCardResidual& residual, std::size_t channel,
                                        const OperatingPoint& at);

/// Of limit_thd() or limit_thd_n(), relative to its value: an arcsine for each harmonic and
/// converter, the rest of its `standard` as noise; the harmonics' own spread (`spread`, absolute,
/// 0 where it is in `standard` already); the sound card's response between tone and harmonics.
/// Empty for a value of 0.
[[nodiscard]] std::vector<Component> distortion_budget(const Limited& limited,
                                                       std::span<const MeasuredHarmonic> harmonics,
                                                       const SoundCardResidual& residual,
                                                       std::size_t channel,
                                                       const OperatingPoint& at, double spread);

}  // namespace sinewright
