#include "device/noise_source.h"

#include <bit>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {

NoiseSource::NoiseSource(std::uint64_t seed) {
  // SplitMix64 spreads a small seed over the whole state, which must not be all zero.
  for (std::uint64_t& word : state_) {
    seed += 0x9E3779B97F4A7C15U;
    std::uint64_t mixed = seed;
    mixed = (mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9U;
    mixed = (mixed ^ (mixed >> 27)) * 0x94D049BB133111EBU;
    word = mixed ^ (mixed >> 31);
  }
}

std::uint64_t NoiseSource::next() {
  const std::uint64_t result = state_[0] + state_[3];
  const std::uint64_t shifted = state_[1] << 17;
  state_[2] ^= state_[0];
  state_[3] ^= state_[1];
  state_[1] ^= state_[2];
  state_[0] ^= state_[3];
  state_[2] ^= shifted;
  state_[3] = std::rotl(state_[3], 45);
  return result;
}

double NoiseSource::uniform() { return static_cast<double>(next() >> 11) * 0x1p-53; }

double NoiseSource::gaussian() {
  if (has_spare_) {
    has_spare_ = false;
    return spare_;
  }
  const double radius = std::sqrt(-2 * std::log(1 - uniform()));  // never log(0)
  const double angle = kTwoPi * uniform();
  spare_ = radius * std::sin(angle);
  has_spare_ = true;
  return radius * std::cos(angle);
}

}  // namespace sinewright
