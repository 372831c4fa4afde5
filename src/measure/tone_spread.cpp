#include "measure/tone_spread.h"

namespace sinewright {

Repeatability tone_spread(const ToneChannel& tone) {
  Repeatability spread;
  spread.relative = tone.level_deviation;
  constexpr double kRounding = 1e-9;  // of a sum of weights
  if (tone.level_blocks < kFewestBlocks - kRounding) return spread;
  if (tone.level_spread > spread.relative) {
    spread = {tone.level_spread, tone.level_blocks - 2};
  }
  return spread;
}

}  // namespace sinewright
