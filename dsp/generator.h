// Tones to be played: exact phase, soft ramps, one or two at a time.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/noise.h"
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
/// of 2^64 steps a period, so it does not drift however long it plays; samples are good to 1 ulp or
/// so.
class ToneGenerator final : public Signal {
 public:
  /// `ramp_s`: length of each ramp in amplitude.
  /// Throws std::invalid_argument unless `fs` and `ramp_s` are positive and finite.
  ToneGenerator(SampleRate fs, double ramp_s);

  /// From the next frame on glides to `tones` (none: silence; two at the most). Where the frequency
  /// stays, only the amplitude ramps. Where it changes, the frequency steps at once, with
  /// continuous phase, while the amplitude ramps from the old to the new value. A tone that starts
  /// from silence starts as a sine, at phase 0.
  /// Throws std::invalid_argument for more than two tones, a frequency outside (0, fs/2), a
  /// negative amplitude, or a sum of amplitudes above 1; what plays goes on unchanged then.
  void go_to(std::span<const Tone> tones);

  /// Bit n set: channel n plays; others are silent. All at first. Ramps as amplitudes do.
  void set_channels(std::uint32_t mask);

  /// True when no ramp is under way.
  [[nodiscard]] bool is_steady() const;
  /// True when no tone sounds and no ramp is under way. The channel mask does not matter.
  [[nodiscard]] bool is_silent() const;

  /// Throws std::invalid_argument unless `channels` is 1 to 32 and `frames` holds whole frames.
  void fill(std::span<double> frames, int channels) override;

 private:
  struct Voice {
    double frequency_hz = 0;
    std::uint64_t phase = 0;
    std::uint64_t step = 0;
    double amplitude_from = 0;
    double amplitude_to = 0;
  };
  static constexpr std::size_t kMaxChannels = 32;

  [[nodiscard]] double blend(std::int64_t frames_into_ramp) const;
  [[nodiscard]] double amplitude(const Voice& voice) const;
  [[nodiscard]] double channel_gain(std::size_t channel) const;
  double next_sample();

  SampleRate fs_;
  std::int64_t ramp_frames_;
  std::int64_t tone_ramp_position_;     ///< ramp_frames_: over
  std::int64_t channel_ramp_position_;  ///< likewise
  std::vector<Voice> voices_;
  std::array<double, kMaxChannels> channel_gain_from_;
  std::uint32_t channel_mask_ = 0xffffffff;
};

/// Silence, for as long as wanted.
class Silence final : public Signal {
 public:
  void fill(std::span<double> frames, int channels) override;
};

}  // namespace sinewright
