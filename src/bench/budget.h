// Uncertainty budgets of what a calibrated bench reads. All components are relative (1 = 100 %)
// unless said otherwise, so that a level in dB has 8.686 times theirs.
#pragma once

#include <cstddef>
#include <vector>

#include "bench/profile.h"
#include "bench/residual.h"
#include "bench/uncertainty.h"

namespace sinewright {

/// The line that one meter shares with itself: comparisons against the same meter leave it out.
inline constexpr const char* kMeterSource = "meter at calibration";

/// What a reading's own spread adds.
struct Repeatability {
  double relative = 0;  ///< standard deviation of the mean, type A
  double degrees_of_freedom = 1e9;
};

/// Of volts at the terminals at `frequency_hz`: meter at calibration (rectangular, the whole data
/// sheet bound), the step of its display, repeatability at calibration, stability since, the
/// input's unknown share of the loopback response at this frequency (rectangular, half of it either
/// way), what divider and cable lose beyond the frequency of calibration (rectangular; no line
/// where the profile states none), repeatability now. The channel must have calibrated volts.
/// `residual`: none without a loopback.
[[nodiscard]] std::vector<Component> volts_budget(const Chain& chain, std::size_t channel,
                                                  double frequency_hz,
                                                  const Repeatability& repeatability,
                                                  const SoundCardResidual* residual);

/// Of the load's ohms: ohmmeter, its display's step, temperature (rectangular, coefficient x rise
/// either way). Its load must be calibrated.
[[nodiscard]] std::vector<Component> load_budget(const Chain& chain, std::size_t channel);

/// Of watts: that of volts with sensitivity 2, and the load's with sensitivity 1 (P = V^2 / R).
[[nodiscard]] std::vector<Component> watts_budget(const Chain& chain, std::size_t channel,
                                                  double frequency_hz,
                                                  const Repeatability& repeatability,
                                                  const SoundCardResidual* residual);

/// Of left to right as an amplitude ratio: each side's divider has its own cable; one meter on one
/// range read both, so its error cancels as far as both readings were alike (the difference of both
/// bounds stays); display steps, repeatabilities and stability of each side stay.
[[nodiscard]] std::vector<Component> balance_budget(const Chain& chain, double frequency_hz,
                                                    const Repeatability& left,
                                                    const Repeatability& right,
                                                    const SoundCardResidual* residual);

/// Of the level at one frequency relative to that at another within a run, as an amplitude ratio:
/// what the loopback left open, its noise, what divider and cable lose, both repeatabilities.
/// Without a loopback the sound card's own response is unknown: no budget, an empty vector.
/// `reference_hz`: that other one.
[[nodiscard]] std::vector<Component> response_budget(const Chain& chain, std::size_t channel,
                                                     double frequency_hz,
                                                     const Repeatability& at_frequency,
                                                     const Repeatability& at_reference,
                                                     const SoundCardResidual* residual,
                                                     double reference_hz = 1000);

/// Factor on volts as read at `frequency_hz` that takes half of the loopback's response out: how it
/// is shared between output and input is not known. 1 without a loopback, or outside it.
[[nodiscard]] double volts_correction(const Chain& chain, std::size_t channel, double frequency_hz,
                                      const SoundCardResidual* residual);

}  // namespace sinewright
