// Lines at known frequencies in a windowed spectrum: their phasors, and the noise between them.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

namespace sinewright {

/// Fits lines to the transform of one windowed block of n samples,
///   X[m] = sum w[i] x[i] exp(-j 2 pi m i / n),  m = 0..n/2,
/// by least squares over the bins of each line's main lobe. By Parseval's theorem that is, but for
/// the side lobes, the least-squares fit in the time domain with w^2 as weight; it costs a few bins
/// a line instead of a pass over the samples.
class LineFitter {
 public:
  /// `coefficients`: of the cosine-sum window (window.h). `bins`: where the lines are, ascending,
  /// fractional, at least half a main lobe (the number of terms) from 0 and n/2.
  LineFitter(std::span<const double> coefficients, std::size_t n, std::vector<double> bins);

  [[nodiscard]] std::size_t size() const { return lines_.size(); }

  /// Peak phasors of the lines, phase at the middle of the block (sample n/2): the line is
  /// Re(phasor exp(j w (i - n/2))). Takes the lines out of `spectrum`. Lines closer than a main
  /// lobe are fitted jointly, by alternating projections.
  [[nodiscard]] std::vector<std::complex<double>> take_out(
      std::span<std::complex<double>> spectrum) const;

  /// Scales up the power of what take_out() left (`power`: |X|^2 of n/2 + 1 bins), so that white
  /// noise keeps its expected density under the lines too: each fit takes a share of it along.
  void restore_noise(std::span<double> power) const;

  /// Variance of the phasor of line `i` (mean square of its error) in noise of power `noise` a bin
  /// (|X|^2) around it.
  [[nodiscard]] double phasor_variance(std::size_t i, double noise) const {
    return noise * lines_[i].noise_gain;
  }

 private:
  struct Line {
    std::size_t first_bin;
    std::vector<double> kernel;       // over the bins from first_bin on
    double kernel_power;              // sum of kernel^2
    std::vector<double> restoration;  // factor on the noise power of each bin
    double noise_gain;
  };

  [[nodiscard]] std::complex<double> projection(
      const Line& line, std::span<const std::complex<double>> spectrum) const;
  void subtract(const Line& line, std::complex<double> phasor,
                std::span<std::complex<double>> spectrum) const;

  std::size_t n_;
  bool overlap_ = false;
  std::vector<Line> lines_;
};

/// Factor that turns |X|^2 of one bin (not 0 or n/2) into the mean square it stands for:
/// 2 / (n sum w^2).
[[nodiscard]] double power_per_bin(std::span<const double> coefficients, std::size_t n);

}  // namespace sinewright
