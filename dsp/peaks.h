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

/// Brings `figures` up to date with a block of one channel. `residual`: what the fit of its tone
/// left; `noise_rms`: of that, harmonics taken out. Between the samples a 32-tap windowed sinc
/// interpolates around the extreme ones; a block that does not reach the extremes so far is passed
/// over.
///
/// Flat tops: the samples within 0.2 % (or four times the noise) of the extreme are counted, and
/// compared with those of the fitted tone, taken at the same instants. A sine clipped by 0.09 dB
/// dwells 2.4 times as long; the threshold is 1.8.
void update_peaks(PeakFigures& figures, std::span<const double> samples,
                  std::span<const double> residual, double noise_rms);

}  // namespace sinewright
