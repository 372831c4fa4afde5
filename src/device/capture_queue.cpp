// The callback's side copies and counts; everything that takes time is on the reader's side.
#include "device/capture_queue.h"

#include <algorithm>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

std::size_t checked(int channels) {
  if (channels < 1 || channels > 64) {
    throw std::invalid_argument("channels: 1 to 64, not " + std::to_string(channels));
  }
  return static_cast<std::size_t>(channels);
}

}  // namespace

CaptureQueue::CaptureQueue(int channels, std::int64_t capacity_frames,
                           std::int64_t round_trip_frames)
    : channels_(checked(channels)),
      block_frames_(kBlockSamples / channels_),
      round_trip_frames_(round_trip_frames),
      blocks_(static_cast<std::size_t>(capacity_frames) / block_frames_ + 2) {}

void CaptureQueue::write(const float* samples, std::size_t frames,
                         CaptureTrouble trouble) noexcept {
  if (trouble.lost_before || trouble.these_are_void || trouble.output_slipped) mark_gap();
  if (trouble.output_slipped) filling_.output_slipped = true;
  while (frames > 0) {
    const std::size_t room = block_frames_ - filling_.frames;
    const std::size_t count = std::min(frames, room);
    float* to = filling_.samples.data() + filling_.frames * channels_;
    if (samples != nullptr) {
      std::copy_n(samples, count * channels_, to);
      samples += count * channels_;
    } else {
      std::fill_n(to, count * channels_, 0.0F);
    }
    filling_.frames += static_cast<std::uint32_t>(count);
    frames -= count;
    if (filling_.frames == block_frames_) flush();
  }
  if (trouble.these_are_void) mark_gap();
}

// A gap stands at the start of a block, so a block that is part full goes out first.
void CaptureQueue::mark_gap() noexcept {
  if (filling_.frames > 0) flush();
  filling_.gap_before = true;
}

void CaptureQueue::flush() noexcept {
  const bool is_queued = blocks_.try_enqueue(filling_);
  filling_.frames = 0;
  // Dropped because the reader is late: the next block to get through says so.
  filling_.gap_before = !is_queued;
  if (is_queued) filling_.output_slipped = false;
}

bool CaptureQueue::fetch(std::chrono::milliseconds patience) {
  if (!blocks_.wait_dequeue_timed(reading_, patience)) {
    reading_.frames = 0;
    next_ = 0;
    return false;
  }
  next_ = 0;
  if (reading_.gap_before) note_gap(position_);
  if (reading_.output_slipped) echoes_.push_back(position_ + round_trip_frames_);
  return true;
}

std::size_t CaptureQueue::copy(std::span<double> samples) {
  const std::size_t count = std::min(samples.size() / channels_, reading_.frames - next_);
  const float* from = reading_.samples.data() + next_ * channels_;
  std::copy_n(from, count * channels_, samples.data());
  next_ += count;
  position_ += static_cast<std::int64_t>(count);
  while (!echoes_.empty() && echoes_.front() < position_) {
    note_gap(echoes_.front());
    echoes_.erase(echoes_.begin());
  }
  return count;
}

// Echoes of the output come in between; gaps() stays in order, each position once.
void CaptureQueue::note_gap(std::int64_t position) {
  const auto at = std::lower_bound(gaps_.begin(), gaps_.end(), position);
  if (at == gaps_.end() || *at != position) gaps_.insert(at, position);
}

}  // namespace sinewright
