// Output and input converter told apart: the loopback has both, the loop through the divider
// (nearly) the output alone, for there the input converter stands far lower. Internal to src/bench.
//
// At the same drive and frequency lb = o + i in the loopback and dv = o + i q through the divider,
// all complex and relative to the tone, so that delays drop out. A converter's harmonic of order n
// falls as the (n-1)th power of its level (the first term of any smooth curve): with the level rho
// times as high q = rho^(n-1), so i = (lb - dv) / (1 - q) and o = lb - i. A slower fall, but no
// slower than the level itself, puts up to rho |i| in the wrong place; that is in `highest`. What
// does not fall with the level at all cannot be told apart and counts as the output's.
#pragma once

#include <array>
#include <cstddef>
#include <optional>

#include "bench/loopback_table.h"

namespace sinewright {

struct ConverterShares {
  std::array<double, 2> typical{};  ///< output, input; amplitudes relative to the tone
  double highest = 0;               ///< both at their largest around the point, and aligned
};

/// `loop`, `divided`: not empty. `loop_typical`: what the loopback alone says. The output's share
/// is that at the drive, the input's that at its own level; dB over dB and over log frequency
/// between tones. Below the lowest drive through the divider the loopback counts as the input's
/// alone.
///
/// Noise through the divider counts, for the tone is low there: o^2 + i^2 departs from lb^2 only by
/// as much as stands out of the noise (shrunk after James and Stein, from memory; o^2 + i^2 is lb^2
/// / 2 at least), and `highest` has two deviations of each. nullopt where nothing stands out, and
/// for an order that was not looked for: there the loopback tells as much by itself.
[[nodiscard]] std::optional<ConverterShares> split_converters(const LoopbackTable& loop,
                                                              const LoopbackTable& divided,
                                                              std::size_t channel, int order,
                                                              const OperatingPoint& at,
                                                              double loop_typical);

}  // namespace sinewright
