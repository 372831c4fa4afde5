// Discrete Fourier transforms in double precision (KissFFT's C++ template).
#pragma once

#include <complex>
#include <cstddef>
#include <memory>
#include <span>

namespace sinewright {

/// The least n >= `at_least` with no prime factor above 5, and even: the lengths KissFFT does
/// quickly and accurately. At least 8.
[[nodiscard]] std::size_t good_fft_length(std::size_t at_least);

/// The greatest such n <= `at_most`. Throws std::invalid_argument when `at_most` is below 8.
[[nodiscard]] std::size_t good_fft_length_below(std::size_t at_most);

/// X[m] = sum of x[n] exp(-+ j 2 pi m n / N), not normalised; + when inverse. Cheap to copy.
class ComplexFft {
 public:
  /// Throws std::invalid_argument unless `n` is positive and has no prime factor above 5.
  explicit ComplexFft(std::size_t n, bool inverse = false);

  [[nodiscard]] std::size_t size() const { return n_; }

  /// `in` and `out`: `n` values each, not overlapping. Throws std::invalid_argument otherwise.
  void transform(std::span<const std::complex<double>> in,
                 std::span<std::complex<double>> out) const;

 private:
  struct Plan;
  std::size_t n_;
  std::shared_ptr<const Plan> plan_;
};

/// The same of `n` real samples: bins 0 to n/2.
class RealFft {
 public:
  /// Throws std::invalid_argument unless `n` is even, positive and has no prime factor above 5.
  explicit RealFft(std::size_t n);

  [[nodiscard]] std::size_t size() const { return n_; }

  /// `in`: n samples; `out`: n/2 + 1 bins. Throws std::invalid_argument otherwise.
  void transform(std::span<const double> in, std::span<std::complex<double>> out) const;

 private:
  struct Plan;
  std::size_t n_;
  std::shared_ptr<const Plan> plan_;
};

/// Separates the transform `both` of a + j b, with a and b real, at bin `m` of `n`.
struct BinPair {
  std::complex<double> a;
  std::complex<double> b;
};
[[nodiscard]] inline BinPair split_bins(std::span<const std::complex<double>> both, std::size_t m) {
  const std::complex<double> here = both[m];
  const std::complex<double> mirror = std::conj(both[m == 0 ? 0 : both.size() - m]);
  const std::complex<double> difference = here - mirror;
  return {0.5 * (here + mirror), {0.5 * difference.imag(), -0.5 * difference.real()}};
}

}  // namespace sinewright
