// Averaged power spectra of one or two channels: how mean square is spread over frequency.
#pragma once

#include <complex>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/fft.h"
#include "dsp/units.h"
#include "dsp/weighting.h"
#include "dsp/window.h"

namespace sinewright {

struct SpectrumSettings {
  double resolution_hz = 1;  ///< width of a bin; blocks last its inverse, rounded up to a quick
                             ///< length
  WindowKind window = WindowKind::kNuttall4b;
  double overlap = 0.5;  ///< share of each block that the next one takes up again, 0 to 0.9
};

/// One-sided averaged spectrum, P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967 (from
/// memory), grown as samples come, in constant memory. Two channels share one complex transform.
///
/// Normalised to power: in each block the bins add up exactly to the mean square of the samples
/// weighted by the window's square (Parseval). So noise reads its power in any band, whatever the
/// window; a steady tone reads its mean square as the sum over its main lobe.
class PowerSpectrum {
 public:
  /// Throws std::invalid_argument for a rate or resolution that is not positive and finite, blocks
  /// below 16 or above 2^26 frames, an overlap outside 0 to 0.9, or other than 1 or 2 channels.
  PowerSpectrum(SampleRate fs, int channels, const SpectrumSettings& settings);

  /// Adds interleaved frames, any number of them.
  /// Throws std::invalid_argument when `frames` does not hold whole frames.
  void push(std::span<const double> frames);

  [[nodiscard]] std::size_t block_frames() const { return window_.size(); }
  [[nodiscard]] double bin_hz() const { return fs_.hz / static_cast<double>(window_.size()); }
  /// Blocks averaged so far; 0 until the first is full.
  [[nodiscard]] std::int64_t blocks() const { return blocks_; }

  /// Mean square that each bin stands for, bins 0 to n/2, for `channel` 0 or 1; all 0 before the
  /// first block. Throws std::invalid_argument when there is no such channel.
  [[nodiscard]] std::vector<double> mean_square(int channel) const;
  /// The same per hertz: the power spectral density, one-sided.
  [[nodiscard]] std::vector<double> density_per_hz(int channel) const;

  /// Mean square in low_hz <= f <= high_hz, weighted by the square of the weighting's gain. Bins
  /// count in the proportion in which their width lies in the band, so narrow bands come out right
  /// too. Errors as above, or when low_hz > high_hz.
  [[nodiscard]] double band_power(int channel, double low_hz, double high_hz,
                                  Weighting weighting = Weighting::kNone) const;

 private:
  void add_block();
  void require_channel(int channel) const;

  SampleRate fs_;
  std::size_t channels_;
  std::vector<double> window_;
  double scale_;  ///< |X|^2 to mean square, two-sided
  std::size_t hop_;
  ComplexFft fft_;
  std::vector<double> held_;  ///< interleaved frames of the block under way
  std::vector<std::complex<double>> packed_, transformed_;
  std::vector<std::vector<double>> sums_;
  std::int64_t blocks_ = 0;
};

}  // namespace sinewright
