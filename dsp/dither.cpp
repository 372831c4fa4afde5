#include "dsp/dither.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

int checked_bits(int bits) {
  if (bits < 2 || bits > 32) {
    throw std::invalid_argument("Quantiser: bits must be 2 to 32, got " + std::to_string(bits));
  }
  return bits;
}

}  // namespace

Quantiser::Quantiser(int bits, Dither dither, std::uint64_t seed)
    : lsb_(std::ldexp(1.0, 1 - checked_bits(bits))), dither_(dither), random_(seed) {}

double Quantiser::dither_steps() {
  if (dither_ == Dither::kNone) return 0;
  // Two independent uniform numbers from one draw; 32 bits each are finer than any step here needs.
  const std::uint64_t draw = random_();
  const double first = std::ldexp(static_cast<double>(draw >> 32), -32);
  if (dither_ == Dither::kRectangular) return first - 0.5;
  return first - std::ldexp(static_cast<double>(draw & 0xffffffff), -32);
}

void Quantiser::process(std::span<double> samples) {
  const double full_scale = 1 / lsb_;
  for (double& sample : samples) {
    const double steps = std::floor(sample * full_scale + dither_steps() + 0.5);
    sample = std::clamp(steps, -full_scale, full_scale - 1) * lsb_;
  }
}

}  // namespace sinewright
