// Highest and lowest values between the samples, and what the tops look like.
#pragma once

#include <cstdint>
#include <span>

namespace sinewright {

/// What a channel's flat or full-scale tops look like.
struct PeakFigures {
  double positive = 0;               ///< interpolated between samples, full scale 1
  double negative = 0;               ///< the lowest value, negative as a rule
  bool has_flat_tops = false;        ///< dwells at its extremes far longer than a sine does
  std::int64_t full_scale_runs = 0;  ///< stretches of 2 or more samples at full scale
};

/// Brings `figures` up to date with a block of one channel holding a tone of RMS `tone_rms` beside
/// noise of RMS `noise_rms`. Between the samples a 32-tap windowed sinc interpolates around the
/// extreme ones; a block that does not reach the extremes so far is passed over.
///
/// Flat tops: the share of time within 0.2 % (or four times the noise) of the extreme is compared
/// with acos(1 - 0.002) / pi, a sine's. A sine clipped by 0.09 dB dwells 2.4 times as long; the
/// threshold is 1.8.
void update_peaks(PeakFigures& figures, std::span<const double> samples, double tone_rms,
                  double noise_rms);

}  // namespace sinewright
