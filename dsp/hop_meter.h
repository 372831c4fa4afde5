// Short-time measurements for plateau detection: what tone is there, and its phasor hop by hop.
#pragma once

#include <complex>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "dsp/units.h"

namespace sinewright {

/// What a short window of one channel holds.
struct ShortSpectrum {
  double power = 0;         ///< mean square beside the mean, Hann-weighted
  double frequency_hz = 0;  ///< of the strongest line
  double bin = 0;           ///< the same in bins of the window: periods it spans
  double share = 0;         ///< of the power in the strongest line
  double second_hz = 0;     ///< of the second line, beyond the first one's main lobe
  double second_share = 0;
};

/// Hann-windowed spectrum of `samples` (64 or more). A constant has power 0.
[[nodiscard]] ShortSpectrum short_spectrum(std::span<const double> samples, SampleRate fs);

/// Measures tones of fixed frequency in windows of fixed length, Hann-weighted.
class HopMeter {
 public:
  /// `frames`: length of a hop, 32 or more. `frequencies_hz`: one or two tones.
  HopMeter(SampleRate fs, std::size_t frames, std::vector<double> frequencies_hz);

  struct Reading {
    std::vector<std::complex<double>> phasors;  ///< peak phasors, phase as at absolute frame 0
    double residual_ms = 0;  ///< mean square beside offset and tones, never negative
  };

  /// One hop of one channel that begins at absolute frame `start`.
  [[nodiscard]] Reading read(std::span<const double> samples, std::int64_t start) const;

  [[nodiscard]] std::size_t frames() const { return frames_; }
  [[nodiscard]] const std::vector<double>& frequencies_hz() const { return frequencies_hz_; }

  /// Greatest |sample - tones| within `samples`, which begin at absolute frame `start`.
  [[nodiscard]] double largest_residual(std::span<const double> samples, std::int64_t start,
                                        const std::vector<std::complex<double>>& phasors,
                                        double offset) const;

 private:
  std::size_t frames_;
  std::vector<double> frequencies_hz_;
  std::vector<std::uint64_t> steps_;
  std::vector<double> hann_;
  std::vector<std::vector<double>> cosine_;  // Hann-weighted, for each tone
  std::vector<std::vector<double>> sine_;
  // What the window leaves of exp(2jw) and exp(jw): the tone's square at twice its frequency, and
  // the tone itself in the mean.
  std::vector<std::complex<double>> image_;
  std::vector<std::complex<double>> direct_;
  double weight_;
};

}  // namespace sinewright
