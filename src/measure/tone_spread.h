// How far the level of a tone, as it was read, may lie from what further reading would give.
#pragma once

#include "bench/budget.h"
#include "dsp/tone_analysis.h"

namespace sinewright {

/// Fewer blocks tell too little of their own scatter.
inline constexpr double kFewestBlocks = 5;

/// Relative, of the mean. From kFewestBlocks blocks on the larger of both: what the noise beside
/// the tone comes to, and the scatter of the blocks about a straight line, n - 2 degrees of
/// freedom. That finds what noise does not tell of: a beat, a level that wanders. With fewer blocks
/// the noise alone.
[[nodiscard]] Repeatability tone_spread(const ToneChannel& tone);

}  // namespace sinewright
