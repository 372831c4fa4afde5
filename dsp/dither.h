// Rounding to a number of bits, with dither.
#pragma once

#include <cstdint>
#include <random>
#include <span>

namespace sinewright {

/// Noise added before rounding. Not subtracted afterwards.
enum class Dither {
  kNone,
  kRectangular,  ///< 1 LSB peak to peak: error power twice that of rounding alone
  kTriangular,   ///< 2 LSB peak to peak: three times, and independent of the signal
};

/// Rounds samples to `bits`, as a converter or a file of that word length does.
///
/// Error power: (1, 2, 3) LSB^2 / 12 for the three kinds of dither. Source: S. P. Lipshitz,
/// R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical Survey", J. Audio Eng.
/// Soc. 40(5), 1992.
class Quantiser {
 public:
  /// `seed` fixes the dither. Throws std::invalid_argument unless `bits` is 2 to 32.
  Quantiser(int bits, Dither dither, std::uint64_t seed);

  /// One step, full scale ±1: 2^(1 - bits).
  [[nodiscard]] double lsb() const { return lsb_; }

  /// Rounds in place, to multiples of lsb() from -1 to 1 - lsb(); values beyond are clipped.
  /// NaN stays NaN.
  void process(std::span<double> samples);

 private:
  [[nodiscard]] double dither_steps();

  double lsb_;
  Dither dither_;
  std::mt19937_64 random_;
};

}  // namespace sinewright
