// Frames on their way from the audio callback to the thread that analyses them.
#pragma once

#include <readerwriterqueue/readerwritercircularbuffer.h>

#include <array>
#include <chrono>
#include <cstdint>
#include <span>
#include <vector>

namespace sinewright {

/// What went wrong around the frames of one callback.
struct CaptureTrouble {
  bool lost_before = false;     ///< frames were lost before the first of these
  bool these_are_void = false;  ///< the device had none: these are filler, lost before and after
  bool output_slipped = false;  ///< the output had a hole, which comes back later
};

/// A queue of blocks of frames with one writer, the audio callback, and one reader. The writer
/// never waits, locks, allocates or throws: when the queue is full, frames are dropped and the drop
/// is noted with its position.
///
/// Positions count the frames read. A gap is noted for the frame that follows the loss.
class CaptureQueue {
 public:
  static constexpr std::size_t kBlockSamples = 256;

  /// `channels`: 1 to 64. `capacity_frames`: at least this much is held for a reader that is late.
  /// `round_trip_frames`: how much later than its callback a hole in the output comes back, as far
  /// as known; a gap is noted at both places.
  CaptureQueue(int channels, std::int64_t capacity_frames, std::int64_t round_trip_frames);

  /// Callback: appends `frames` frames, interleaved; silence when `samples` is nullptr.
  void write(const float* samples, std::size_t frames, CaptureTrouble trouble) noexcept;

  /// Reader: fills `samples` with whole frames as far as they come without a pause of `patience`.
  /// Calls `between()` before each wait. Returns the number of frames, fewer than asked for only
  /// after such a pause.
  template <typename Between>
  std::size_t read(std::span<double> samples, std::chrono::milliseconds patience, Between between) {
    std::size_t done = 0;
    const std::size_t wanted = samples.size() / channels_;
    while (done < wanted) {
      if (next_ == reading_.frames) {
        between();
        if (!fetch(patience)) break;
      }
      done += copy(samples.subspan(done * channels_));
    }
    return done;
  }

  [[nodiscard]] std::span<const std::int64_t> gaps() const { return gaps_; }

 private:
  struct Block {
    std::uint32_t frames = 0;
    bool gap_before = false;
    bool output_slipped = false;
    std::array<float, kBlockSamples> samples{};
  };

  void flush() noexcept;
  void mark_gap() noexcept;
  bool fetch(std::chrono::milliseconds patience);
  std::size_t copy(std::span<double> samples);
  void note_gap(std::int64_t position);

  const std::size_t channels_;
  const std::size_t block_frames_;
  const std::int64_t round_trip_frames_;
  moodycamel::BlockingReaderWriterCircularBuffer<Block> blocks_;
  Block filling_;                     // the callback's
  Block reading_;                     // the reader's, as all below
  std::size_t next_ = 0;              // frame in reading_
  std::int64_t position_ = 0;         // frames read
  std::vector<std::int64_t> echoes_;  // where holes of the output will come back, ascending
  std::vector<std::int64_t> gaps_;
};

}  // namespace sinewright
