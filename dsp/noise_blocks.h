// Half-overlapping windowed blocks of one or two channels: their averaged spectrum, and the low end
// of each with its phases. The engine of noise_analysis.h.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <functional>
#include <span>
#include <vector>

#include "dsp/band.h"
#include "dsp/fft.h"
#include "dsp/mains.h"
#include "dsp/units.h"
#include "dsp/weighting.h"
#include "dsp/window.h"

namespace sinewright {

class NoiseBlocks {
 public:
  /// Blocks of `block_s`, rounded down to a quick length (16 frames at least).
  NoiseBlocks(SampleRate fs, std::size_t channels, double block_s, const Band& band,
              double highest_low_hz);

  /// Adds interleaved frames; calls `on_block` with the low end of the transform of each block that
  /// they complete, not normalised.
  void push(std::span<const double> frames, const std::function<void(LowSpectrum)>& on_block);

  [[nodiscard]] std::size_t block_frames() const { return window_.size(); }
  [[nodiscard]] double bin_hz() const { return fs_.hz / static_cast<double>(window_.size()); }
  [[nodiscard]] std::size_t count() const { return count_; }
  [[nodiscard]] double covered_s() const;
  /// Frames that no block has taken in full yet.
  [[nodiscard]] std::span<const double> held() const { return held_; }
  [[nodiscard]] std::size_t band_begin() const { return band_begin_; }
  [[nodiscard]] std::size_t band_end() const { return band_end_; }
  [[nodiscard]] static std::size_t half_lobe();
  [[nodiscard]] static std::span<const double> window_coefficients();
  /// n sum(w^4) / sum(w^2)^2: by this much the noise of a sum of bins exceeds that of independent
  /// ones, and that of a windowed fit exceeds the bound.
  [[nodiscard]] double overlap_figure() const { return overlap_figure_; }

  /// Mean square that each bin stands for, one-sided.
  [[nodiscard]] std::vector<double> mean_square(std::size_t channel) const;

  struct BandLevel {
    double mean_square;
    double noise_variance;  ///< of mean_square, were all of it stationary noise
  };
  /// In band, of a spectrum like mean_square().
  [[nodiscard]] BandLevel band_level(Weighting weighting, std::span<const double> power) const;
  /// Relative standard deviation of the mean of the blocks' levels, from their spread; 0 below 8
  /// blocks, which say little about it.
  [[nodiscard]] double relative_spread(std::size_t channel, Weighting weighting) const;

 private:
  void add_block(const std::function<void(LowSpectrum)>& on_block);
  [[nodiscard]] std::span<const double> power_gain(Weighting weighting) const;

  SampleRate fs_;
  std::size_t channels_;
  std::vector<double> window_;
  std::size_t hop_;
  double scale_;  ///< |X|^2 to mean square, one-sided
  double overlap_figure_;
  double neighbour_figure_;  ///< the same between blocks half a block apart
  ComplexFft fft_;
  std::size_t band_begin_, band_end_, low_end_;
  std::array<std::vector<double>, 2> gains_;  ///< squared, A and 468
  std::vector<double> held_;
  std::vector<std::complex<double>> packed_, transformed_;
  std::vector<std::vector<double>> sums_;
  struct Spread {
    double sum = 0;
    double squares = 0;
  };
  std::vector<std::array<Spread, 3>> spreads_;
  std::size_t count_ = 0;
};

}  // namespace sinewright
