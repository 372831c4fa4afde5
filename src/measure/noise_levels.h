// Levels of noise and hum with what the sound card has of each.
#pragma once

#include <string>

#include "dsp/noise_analysis.h"
#include "measure/uncertain.h"

namespace sinewright {

struct NoiseLevels {
  Level noise;
  Level noise_a;
  Level noise_468;
  Level hum;
  Level broadband;
  double offset_deviation = 0;  ///< of the mean, in samples, as far as the noise is white
};

/// Of one channel without a tone, over `duration_s`.
[[nodiscard]] NoiseLevels noise_levels(const NoiseChannel& noise, double duration_s,
                                       const ReadingContext& context, const std::string& channel);

/// Of one line of the mains: the sound card's own adds with unknown phase.
[[nodiscard]] Level hum_line_level(const HumLine& line, const ReadingContext& context,
                                   const std::string& channel);

}  // namespace sinewright
