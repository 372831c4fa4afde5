// Levels of noise and hum with what the sound card has of each.
#pragma once

#include <string>

#include "dsp/noise_analysis.h"
#include "measure/uncertain.h"

namespace sinewright {

/// What a silent unit amplifies: whether the sound card's output stands at its input.
enum class SilentInput {
  kOutput,  ///< it does, or that is not known: its noise comes through the unit, at whatever gain
  kNone,    ///< the unit's input is shorted, or it is off: the sound card's input alone is read
};

struct NoiseLevels {
  Level noise;
  Level noise_a;
  Level noise_468;
  Level hum;
  Level broadband;
  double offset_deviation = 0;  ///< of the mean, in samples, as far as the noise is white
};

/// Of one channel without a tone, over `duration_s`. The loopback's noise is broadband, so its hum
/// is added where the whole noise is read: as lines of unknown phase, which may have raised or
/// lowered it. Weightings apply to them at their frequencies.
[[nodiscard]] NoiseLevels noise_levels(const NoiseChannel& noise, double duration_s,
                                       const ReadingContext& context, const std::string& channel,
                                       SilentInput input);

/// Of one line of the mains: the sound card's own adds with unknown phase, and may be all of it.
[[nodiscard]] Level hum_line_level(const HumLine& line, const ReadingContext& context,
                                   const std::string& channel);

}  // namespace sinewright
