// Cuts a stream of frames into blocks of one length.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace sinewright {

/// Segments of frames in, blocks out. The block length is fixed by the first block: the longest, or
/// what fits a first segment that is shorter. The last block of a segment is aligned with its end,
/// overlaps the one before, and weighs as much as it adds. Memory: five blocks.
class BlockCutter {
 public:
  BlockCutter(std::size_t channels, std::size_t longest, std::size_t least)
      : channels_(channels), longest_(longest), least_(least) {}

  /// `take(block frames, first frame, weight)` for each block; `begin(block length)` before the
  /// first.
  template <typename Begin, typename Take>
  void add(std::int64_t first, std::span<const double> frames, Begin begin, Take take) {
    if (buffer_.empty()) base_ = next_ = first;
    buffer_.insert(buffer_.end(), frames.begin(), frames.end());
    if (block_ == 0) {
      if (held() < longest_) return;
      block_ = longest_;
      begin(block_);
    }
    while (held() >= block_) {
      take(part(next_, block_), next_, 1.0);
      next_ += static_cast<std::int64_t>(block_);
    }
    // The frames of the last block stay: the final one may reach back into them.
    const std::int64_t spare = next_ - static_cast<std::int64_t>(block_) - base_;
    if (spare > 3 * static_cast<std::int64_t>(block_)) {
      buffer_.erase(buffer_.begin(),
                    buffer_.begin() + spare * static_cast<std::int64_t>(channels_));
      base_ += spare;
    }
  }

  /// The segment ends. `fit(frames)`: block length for a segment shorter than the longest block.
  template <typename Fit, typename Begin, typename Take>
  void end_segment(Fit fit, Begin begin, Take take) {
    const std::size_t rest = held();
    if (block_ == 0) {
      const std::size_t fitting = rest >= least_ ? fit(rest) : 0;
      if (fitting >= least_ && fitting > 0) {
        block_ = fitting;
        begin(block_);
        take(part(next_, block_), next_, 1.0);
        next_ += static_cast<std::int64_t>(block_);
      }
    }
    const std::int64_t end = base_ + static_cast<std::int64_t>(buffer_.size() / channels_);
    const std::int64_t last = end - static_cast<std::int64_t>(block_);
    const std::int64_t left = end - next_;
    if (block_ > 0 && left > static_cast<std::int64_t>(block_ / 64) && last >= base_) {
      take(part(last, block_), last, static_cast<double>(left) / static_cast<double>(block_));
    }
    buffer_.clear();
    base_ = next_ = 0;
  }

  [[nodiscard]] bool has_begun() const { return block_ > 0; }

 private:
  [[nodiscard]] std::size_t held() const {
    return buffer_.size() / channels_ - static_cast<std::size_t>(next_ - base_);
  }
  [[nodiscard]] std::span<const double> part(std::int64_t first, std::size_t count) const {
    return std::span(buffer_).subspan(static_cast<std::size_t>(first - base_) * channels_,
                                      count * channels_);
  }

  std::size_t channels_;
  std::size_t longest_;
  std::size_t least_;
  std::size_t block_ = 0;
  std::vector<double> buffer_;
  std::int64_t base_ = 0;
  std::int64_t next_ = 0;
};

}  // namespace sinewright
