// Lines of unknown frequency in an averaged power spectrum: its floor, and what stands above it.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace sinewright {

/// A steady tone as a power spectrum shows it.
struct SpectralLine {
  double bin;            ///< where it is, fractional: centre of its power
  double bin_deviation;  ///< standard deviation of that from noise, roughly
  double mean_square;    ///< its power, the floor's share taken off
  double over_floor;     ///< mean_square relative to the floor in one bin
};

/// Power of the noise in each bin, lines passed over: the median of the bins within `half_width`,
/// put to the mean's place for an average of `blocks` independent spectra. Bins below `first`,
/// where what is left of an offset stands, are not looked at; they get the value of `first`. Throws
/// std::invalid_argument unless first < power.size().
[[nodiscard]] std::vector<double> spectral_floor(std::span<const double> power, std::size_t first,
                                                 std::size_t half_width, double blocks);

/// How far above the floor a bin of an average of `blocks` spectra of noise rises with the
/// probability `false_alarm` (1e-12 to 0.1); never below 2, since no floor is known that well.
/// From the cube-root approximation of the chi-square law (Wilson and Hilferty 1931, from memory),
/// on the safe side in the upper tail.
[[nodiscard]] double line_threshold(double blocks, double false_alarm);

/// Local maxima among bins first..last that stand out from `floor` by `threshold`, and from the
/// bins on either side of their main lobe, so that the edge of a band is no line.
/// `half_lobe`: half the width of a line (window.h, main_lobe_half_width_bins).
[[nodiscard]] std::vector<SpectralLine> find_lines(std::span<const double> power,
                                                   std::span<const double> floor, std::size_t first,
                                                   std::size_t last, std::size_t half_lobe,
                                                   double threshold, double blocks);

}  // namespace sinewright
