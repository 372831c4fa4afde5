// Random numbers for the simulated bench: the same sequence on every compiler and machine.
#pragma once

#include <array>
#include <cstdint>

namespace sinewright {

/// Gaussian, triangular and even random numbers from a stated start. Own code in place of
/// std::normal_distribution, whose sequence each standard library chooses for itself.
///
/// Source: xoshiro256+ (Blackman, Vigna, "Scrambled linear pseudorandom number generators", ACM
/// Trans. Math. Softw. 47(4), 2021), from memory; Box and Muller, Ann. Math. Stat. 29(2), 1958.
class NoiseSource {
 public:
  explicit NoiseSource(std::uint64_t seed);

  /// Zero mean, RMS 1.
  [[nodiscard]] double gaussian();

  /// Triangular in (-1, 1): the dither of a quantiser whose step is 1, RMS 1/sqrt(6).
  [[nodiscard]] double triangular() { return uniform() - uniform(); }

  /// Even in [0, 1).
  [[nodiscard]] double uniform();

 private:
  [[nodiscard]] std::uint64_t next();

  std::array<std::uint64_t, 4> state_;
  double spare_ = 0;
  bool has_spare_ = false;
};

}  // namespace sinewright
