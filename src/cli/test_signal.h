// The signals of `sinewright tone`, with soft ends.
//
// They do not go through measure/drive.h: it plays single tones whose watts it reads, and `tone`
// opens no input, plays noise and two tones as well, and knows no watts. It says so, and where a
// bench profile is named plays above -40 dBFS only after the checklist.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "dsp/signal.h"
#include "dsp/units.h"

namespace sinewright {

/// Fades `inner` in over kFade_s, and out when its time is over or finish() was called; raised
/// cosine both. Plays on the channels of `mask` alone.
class FadedSignal final : public Signal {
 public:
  static constexpr double kFade_s = 0.05;

  /// `duration_s`: with both fades; none: until finish().
  FadedSignal(std::unique_ptr<Signal> inner, SampleRate fs, std::optional<double> duration_s,
              std::uint32_t mask);

  /// Starts fading out with the next frame, unless that has begun.
  void finish();
  /// True when all has been faded out.
  [[nodiscard]] bool is_over() const { return position_ >= end_; }
  [[nodiscard]] std::int64_t position() const { return position_; }

  void fill(std::span<double> frames, int channels) override;

 private:
  [[nodiscard]] double gain() const;

  std::unique_ptr<Signal> inner_;
  std::int64_t fade_frames_;
  std::int64_t end_;
  std::uint32_t mask_;
  std::int64_t position_ = 0;
};

/// What is to be played.
struct TestSignalSettings {
  std::vector<double> frequencies_hz = {997};  ///< one or two
  double level_dbfs = -20;                     ///< RMS of each tone, or of the noise
  bool is_white = false;
  bool is_pink = false;
  bool is_silent = false;
  std::uint64_t seed = 1;  ///< of the noise
};

/// Throws Error (kUsage) for a frequency at or above half the rate, or levels that would clip.
[[nodiscard]] std::unique_ptr<Signal> make_test_signal(const TestSignalSettings& settings,
                                                       SampleRate fs);

}  // namespace sinewright
