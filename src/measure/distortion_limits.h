// What a reading of distortion cannot see: the sound card's own, and the noise.
#pragma once

#include <string>

#include "dsp/tone_analysis.h"
#include "measure/uncertain.h"

namespace sinewright {

struct DistortionLimits {
  RatioLimits thd;
  RatioLimits thd_n;
};

/// Where a loopback tells what the sound card does by itself; empty otherwise.
[[nodiscard]] DistortionLimits distortion_limits(const ReadingContext& context,
                                                 const std::string& channel,
                                                 const ToneChannel& tone);

/// Where the tone stands for the loopback to be looked up.
[[nodiscard]] OperatingPoint operating_point(const ReadingContext& context,
                                             const ToneChannel& tone);

/// Relative standard deviation of noise_rms, type A.
[[nodiscard]] double noise_deviation(const ToneChannel& tone);

}  // namespace sinewright
