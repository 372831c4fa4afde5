// Signals of known content for the tests of noise and lines: exact phase, Gaussian noise from a
// fixed seed.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <random>
#include <span>
#include <vector>

#include "dsp/phase.h"
#include "dsp/units.h"

namespace sinewright {

/// One line: RMS, phase of its cosine at sample 0.
struct TestLine {
  double frequency_hz;
  double rms;
  double phase_rad = 0;
};

inline void add_line(std::span<double> samples, SampleRate fs, const TestLine& line) {
  const std::uint64_t step = phase_step({line.frequency_hz}, fs);
  const std::uint64_t start = phase_of_radians(line.phase_rad);
  const double amplitude = line.rms * std::sqrt(2.0);
  for (std::size_t n = 0; n < samples.size(); ++n) {
    samples[n] += amplitude * unit_phasor(start + step * n).real();
  }
}

/// White Gaussian noise. Twelve-fold sums would be too light in the tails; Box and Muller's are
/// not.
inline void add_noise(std::span<double> samples, double rms, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  const auto uniform = [&] { return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53; };
  for (std::size_t n = 0; n < samples.size(); n += 2) {
    const double radius = rms * std::sqrt(-2 * std::log(uniform()));
    const double angle = kTwoPi * uniform();
    samples[n] += radius * std::cos(angle);
    if (n + 1 < samples.size()) samples[n + 1] += radius * std::sin(angle);
  }
}

inline double rms_of(std::span<const double> samples) {
  double sum = 0;
  for (const double x : samples) sum += x * x;
  return std::sqrt(sum / static_cast<double>(samples.size()));
}

}  // namespace sinewright
