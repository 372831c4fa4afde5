// Cuts a stream of frames into blocks of one length.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace sinewright {

/// Segments of frames in, blocks out. The block length is fixed by the first block: the longest, or
/// what fits a first segment that is shorter. The first blocks of a segment overlap by half, which
/// steadies the noise of short ones (a window hides the ends of each block); the last one is
/// aligned with its end. Each weighs as much as it adds. Memory: five blocks.
class BlockCutter {
 public:
  /// `longest`: block length for segments without end; `least`: below it nothing is cut.
  BlockCutter(std::size_t channels, std::size_t longest, std::size_t least)
      : channels_(channels), longest_(longest), least_(least) {}

  /// `take(block frames, first frame, weight)` for each block; `begin(block length)` before the
  /// first.
  template <typename Begin, typename Take>
  void add(std::int64_t first, std::span<const double> frames, Begin begin, Take take) {
    if (buffer_.empty()) base_ = next_ = covered_ = first;
    buffer_.insert(buffer_.end(), frames.begin(), frames.end());
    if (block_ == 0) {
      if (end() - next_ < static_cast<std::int64_t>(longest_)) return;
      block_ = longest_;
      begin(block_);
    }
    take_whole_blocks(take);
    // The frames of the last block stay: the final one may reach back into them.
    const auto block = static_cast<std::int64_t>(block_);
    const std::int64_t spare = covered_ - block - base_;
    if (spare > 3 * block) {
      buffer_.erase(buffer_.begin(),
                    buffer_.begin() + spare * static_cast<std::int64_t>(channels_));
      base_ += spare;
    }
  }

  /// The segment ends. `fit(frames)`: block length for a segment shorter than the longest block.
  template <typename Fit, typename Begin, typename Take>
  void end_segment(Fit fit, Begin begin, Take take) {
    const auto held = static_cast<std::size_t>(end() - next_);
    if (block_ == 0 && held >= least_) {
      const std::size_t fitting = fit(held);
      if (fitting >= least_ && fitting > 0) {
        block_ = fitting;
        begin(block_);
        take_whole_blocks(take);
      }
    }
    const std::int64_t last = end() - static_cast<std::int64_t>(block_);
    const std::int64_t left = end() - covered_;
    if (block_ > 0 && left > static_cast<std::int64_t>(block_ / 64) && last >= base_) {
      take(part(last), last, static_cast<double>(left) / static_cast<double>(block_));
    }
    buffer_.clear();
    base_ = next_ = covered_ = 0;
    taken_ = 0;
  }

 private:
  static constexpr int kHalfSteps = 2;

  [[nodiscard]] std::int64_t end() const {
    return base_ + static_cast<std::int64_t>(buffer_.size() / channels_);
  }
  [[nodiscard]] std::span<const double> part(std::int64_t first) const {
    return std::span(buffer_).subspan(static_cast<std::size_t>(first - base_) * channels_,
                                      block_ * channels_);
  }
  template <typename Take>
  void take_whole_blocks(Take take) {
    const auto block = static_cast<std::int64_t>(block_);
    while (end() - next_ >= block) {
      const std::int64_t adds = next_ + block - covered_;
      take(part(next_), next_, static_cast<double>(adds) / static_cast<double>(block));
      covered_ = next_ + block;
      next_ += taken_ < kHalfSteps ? block / 2 : block;
      ++taken_;
    }
  }

  std::size_t channels_;
  std::size_t longest_;
  std::size_t least_;
  std::size_t block_ = 0;
  std::vector<double> buffer_;
  std::int64_t base_ = 0;     // frame number of the buffer's first
  std::int64_t next_ = 0;     // where the next block begins
  std::int64_t covered_ = 0;  // end of what blocks have covered
  int taken_ = 0;             // in this segment
};

}  // namespace sinewright
