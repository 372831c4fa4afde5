// Frames on their way from a signal to the audio callback.
#pragma once

#include <readerwriterqueue/readerwritercircularbuffer.h>

#include <array>
#include <atomic>
#include <cstdint>
#include <memory>
#include <vector>

#include "dsp/signal.h"

namespace sinewright {

/// A queue of blocks of frames with one writer, which takes them from a signal, and one reader, the
/// audio callback, which never waits, locks, allocates or throws.
///
/// Each frame carries its number. When the writer is late the callback plays silence in place of
/// the frames that are missing, and those are dropped when they come: what is played as number n
/// leaves the device as its frame n, whatever happened before. So the delay to the input holds
/// still.
class PlaybackQueue {
 public:
  static constexpr std::size_t kBlockSamples = 256;

  /// `channels`: 1 to 64. `lead_frames`: how far top_up() runs ahead of the callback.
  PlaybackQueue(int channels, std::int64_t lead_frames);

  /// Writer: what is taken from now on; nullptr is silence.
  void play(std::shared_ptr<Signal> signal);

  /// Writer: takes frames from the signal until the lead is reached. Samples beyond full scale are
  /// clamped to ±1, those that are not finite become 0: neither must reach an amplifier.
  void top_up();

  /// Writer: takes `fade_frames` more with a raised-cosine fade to silence, then plays silence.
  /// Does nothing when no signal plays.
  void fade_out(std::int64_t fade_frames);

  /// Writer: frames taken so far.
  [[nodiscard]] std::int64_t frames_played() const { return taken_; }

  /// Writer: true when the callback has passed the last frame taken from a signal.
  [[nodiscard]] bool is_silent() const { return position_.load() >= sound_end_; }

  /// Callback: fills `frames` frames, interleaved. Returns false when some were missing.
  bool read(float* samples, std::size_t frames) noexcept;

 private:
  struct Block {
    std::int64_t first = 0;  // number of its first frame
    std::uint32_t frames = 0;
    std::array<float, kBlockSamples> samples{};
  };

  void fill_block(std::size_t frames);
  void fade_block(std::int64_t done, std::int64_t fade_frames);
  void send_block();
  [[nodiscard]] bool covers(std::int64_t position) const noexcept;

  const std::size_t channels_;
  const std::size_t block_frames_;
  const std::int64_t lead_frames_;
  moodycamel::BlockingReaderWriterCircularBuffer<Block> blocks_;
  std::atomic<std::int64_t> position_{0};  // next frame that the callback plays
  Block playing_;                          // the callback's
  std::shared_ptr<Signal> signal_;         // the writer's, as all below
  std::vector<double> frames_;
  Block filling_;
  std::int64_t taken_ = 0;
  std::int64_t sound_end_ = 0;  // number after the last frame taken from a signal
};

}  // namespace sinewright
