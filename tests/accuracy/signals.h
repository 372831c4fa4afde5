// Signals of which everything is known, for the accuracy table.
#pragma once

#include <cmath>
#include <complex>
#include <cstdint>
#include <random>
#include <span>
#include <utility>
#include <vector>

#include "dsp/phase.h"
#include "dsp/units.h"

namespace sinewright {

/// `frames` of amplitude * cos(2 pi f n / fs + phase), exact phase.
inline std::vector<double> exact_sine(double frequency_hz, SampleRate fs, std::size_t frames,
                                      double amplitude, double phase_rad) {
  const std::uint64_t step = phase_step({frequency_hz}, fs);
  const std::uint64_t start = phase_of_radians(phase_rad);
  std::vector<double> samples(frames);
  for (std::size_t n = 0; n < frames; ++n) {
    samples[n] = amplitude * unit_phasor(start + n * step).real();
  }
  return samples;
}

inline void add(std::vector<double>& to, std::span<const double> what) {
  for (std::size_t n = 0; n < to.size(); ++n) to[n] += what[n];
}

inline std::vector<double> white_noise(std::size_t frames, double rms, std::mt19937_64& random) {
  std::normal_distribution<double> normal(0, rms);
  std::vector<double> samples(frames);
  for (double& sample : samples) sample = normal(random);
  return samples;
}

/// Two channels as interleaved frames.
inline std::vector<double> interleaved(std::span<const double> left,
                                       std::span<const double> right) {
  std::vector<double> frames(2 * left.size());
  for (std::size_t n = 0; n < left.size(); ++n) {
    frames[2 * n] = left[n];
    frames[2 * n + 1] = right[n];
  }
  return frames;
}

/// Uniform on a logarithmic scale.
inline double log_uniform(double low, double high, std::mt19937_64& random) {
  return low * std::pow(high / low, std::uniform_real_distribution<double>(0, 1)(random));
}

inline double random_phase(std::mt19937_64& random) {
  return std::uniform_real_distribution<double>(-3.14, 3.14)(random);
}

}  // namespace sinewright
