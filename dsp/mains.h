// Mains frequency from the lines that hum leaves in a spectrum.
#pragma once

#include <complex>
#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "dsp/spectral_lines.h"
#include "dsp/units.h"

namespace sinewright {

/// Where mains frequency is looked for.
inline constexpr double kLowestMainsHz = 45;
inline constexpr double kHighestMainsHz = 65;

/// The frequency in 45 to 65 Hz of which `lines` (bins of `bin_hz`, from one channel or several)
/// are multiples, to a small part of a bin; nullopt when there is none.
///
/// Accepted only when some of the lines are among orders 1 to 12 and these have no common divisor
/// above 3: so 2f, 4f, 6f alone are full-wave ripple of f, 3f alone is its third harmonic, while a
/// tone of 1 kHz is no 20th harmonic of anything, nor 300, 600 and 900 Hz the 6th, 12th and 18th.
/// Of several that fit, the one that explains most with the lowest orders.
[[nodiscard]] std::optional<Hertz> find_mains(std::span<const SpectralLine> lines, double bin_hz);

/// Complex spectra, bins 0 to some highest, of blocks of n samples under one window; those of a few
/// seconds are enough for a millihertz.
struct LowSpectrum {
  double middle_s;  ///< time of the middle of the block
  std::vector<std::vector<std::complex<double>>> channels;
};

/// One line to steer by.
struct FamilyLine {
  std::size_t channel;
  int order;
  double phasor_variance;  ///< of its peak phasor in one block, mean square error
};

/// A frequency and its standard deviation.
struct FrequencyEstimate {
  double frequency_hz;
  double deviation_hz;
};

/// Phasor of a line at `frequency` in a windowed spectrum, by least squares over its main lobe;
/// phase at mid-block (see LineFitter in lines.h). 0 when it reaches beyond the bins given.
[[nodiscard]] std::complex<double> line_phasor(std::span<const double> window_coefficients,
                                               std::size_t n, double frequency_bins,
                                               std::span<const std::complex<double>> spectrum);

/// Sharpens the family's frequency from `guess`, by least squares of all `lines` in all `blocks`
/// jointly, phases running on from block to block. Looks within `reach_hz` of the guess.
/// Throws std::invalid_argument when `blocks` or `lines` is empty.
[[nodiscard]] FrequencyEstimate refine_mains(std::span<const LowSpectrum> blocks,
                                             std::span<const FamilyLine> lines,
                                             std::span<const double> window_coefficients,
                                             std::size_t n, SampleRate fs, Hertz guess,
                                             double reach_hz);

}  // namespace sinewright
