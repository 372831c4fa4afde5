// JCGM 101 intervals of a random bench: distributions propagated from what the technician knows,
// without the tool's budgets.
#pragma once

#include <cstdint>

#include "bench/profile.h"
#include "bench/residual.h"
#include "dsp/tone_analysis.h"
#include "random_bench.h"

namespace sinewright {

struct Known {
  const Chain& chain;
  const SoundCardResidual& residual;
  const ToneAnalysis& analysis;  ///< of the reading
  const BenchDraw& bench;        ///< data sheets and settings alone are looked at
  std::uint64_t seed;
};

// Widths of the probabilistically symmetric 95.45 % intervals, in the unit of the reading.

[[nodiscard]] double volts_width(const Known& known, std::size_t channel, double volts);
[[nodiscard]] double watts_width(const Known& known, std::size_t channel, double watts);
[[nodiscard]] double balance_width_db(const Known& known);
/// `frequency_hz` re kTone_hz. `spread`: relative standard deviation of both levels together.
[[nodiscard]] double response_width_db(const Known& known, std::size_t channel, double frequency_hz,
                                       double spread);
/// Ratios, not percent.
[[nodiscard]] double thd_width(const Known& known, std::size_t channel, const OperatingPoint& at);
[[nodiscard]] double thd_n_width(const Known& known, std::size_t channel, const OperatingPoint& at);

}  // namespace sinewright
