// Signals to be played: tones with exact phase and soft ramps, twin tones, noise, silence; dither.
#pragma once

#include <cstdint>
#include <random>
#include <span>
#include <vector>

#include "dsp/signal.h"
#include "dsp/units.h"

namespace sinewright {

/// One tone of what a ToneGenerator plays. Amplitude is peak, full scale 1.
struct Tone {
  double frequency_hz;
  double amplitude;
};

/// Plays one or two tones that change on request, phase-continuously and through raised-cosine
/// ramps, the same or a chosen subset on the channels. Starts silent. Phase is kept as an integer
/// of 2^64 steps a period, so it does not drift however long it plays.
class ToneGenerator final : public Signal {
 public:
  /// `ramp_s`: length of each ramp in amplitude.
  /// Throws std::invalid_argument unless `ramp_s` is positive and finite.
  ToneGenerator(SampleRate fs, double ramp_s);

  /// From the next frame on glides to `tones` (none: silence; two at the most). Where the frequency
  /// stays, only the amplitude ramps. Where it changes, the frequency steps at once, with
  /// continuous phase, while the amplitude ramps from the old to the new value.
  /// Throws std::invalid_argument for a frequency outside (0, fs/2), a negative amplitude, or a sum
  /// of amplitudes above 1.
  void go_to(std::span<const Tone> tones);

  /// Bit n set: channel n plays; others are silent. All at first. Ramps as amplitudes do.
  void set_channels(std::uint32_t mask);

  /// True when no ramp is under way.
  [[nodiscard]] bool is_steady() const;
  /// True when silent and no ramp is under way.
  [[nodiscard]] bool is_silent() const;

  void fill(std::span<double> frames, int channels) override;

 private:
  struct Voice {
    std::uint64_t phase = 0;
    std::uint64_t step = 0;
    double amplitude_from = 0;
    double amplitude_to = 0;
  };
  // Implementer: adapt the private part as needed.
  SampleRate fs_;
  std::int64_t ramp_frames_;
  std::vector<Voice> voices_;
};

/// White Gaussian noise of a stated RMS, a different sequence on each channel, from a stated seed.
class WhiteNoise final : public Signal {
 public:
  WhiteNoise(double rms, std::uint64_t seed);
  void fill(std::span<double> frames, int channels) override;

 private:
  double rms_;
  std::mt19937_64 random_;
  std::normal_distribution<double> normal_;
};

}  // namespace sinewright
