// Random numbers that are the same with every library.
#pragma once

#include <cmath>
#include <complex>
#include <cstdint>
#include <random>

#include "dsp/units.h"

namespace sinewright {

class RandomDraws {
 public:
  explicit RandomDraws(std::uint64_t number) : engine_(number * 0x9E3779B97F4A7C15U + 1) {}
  double uniform(double low, double high) {
    return low + (high - low) * static_cast<double>(engine_() >> 11) * 0x1p-53;
  }
  double log_uniform(double low, double high) {
    return low * std::exp(uniform(0, std::log(high / low)));
  }
  double within(double bound) { return uniform(-bound, bound); }
  /// Amplitude 1, any phase.
  std::complex<double> phasor() { return std::polar(1.0, uniform(0, kTwoPi)); }
  std::uint64_t bits() { return engine_(); }

 private:
  std::mt19937_64 engine_;
};

}  // namespace sinewright
