// The writer generates, clamps and converts; the callback only copies.
#include "device/playback_queue.h"

#include <algorithm>
#include <cmath>
#include <numbers>
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

float safe(double sample) {
  if (!std::isfinite(sample)) return 0.0F;
  return static_cast<float>(std::clamp(sample, -1.0, 1.0));
}

}  // namespace

// Room for twice the lead: a fade-out comes on top of a full queue.
PlaybackQueue::PlaybackQueue(int channels, std::int64_t lead_frames)
    : channels_(checked(channels)),
      block_frames_(kBlockSamples / channels_),
      lead_frames_(lead_frames),
      blocks_(2 * static_cast<std::size_t>(lead_frames) / block_frames_ + 16),
      frames_(block_frames_ * channels_) {}

void PlaybackQueue::play(std::shared_ptr<Signal> signal) { signal_ = std::move(signal); }

void PlaybackQueue::fill_block(std::size_t frames) {
  const std::span<double> samples(frames_.data(), frames * channels_);
  if (signal_) {
    signal_->fill(samples, static_cast<int>(channels_));
    sound_end_ = taken_ + static_cast<std::int64_t>(frames);
  } else {
    std::fill(samples.begin(), samples.end(), 0.0);
  }
  filling_.first = taken_;
  filling_.frames = static_cast<std::uint32_t>(frames);
  taken_ += static_cast<std::int64_t>(frames);
}

void PlaybackQueue::fade_block(std::int64_t done, std::int64_t fade_frames) {
  for (std::size_t frame = 0; frame < filling_.frames; ++frame) {
    const double part = static_cast<double>(done + static_cast<std::int64_t>(frame) + 1) /
                        static_cast<double>(fade_frames);
    const double gain = 0.5 + 0.5 * std::cos(std::numbers::pi * std::min(part, 1.0));
    for (std::size_t channel = 0; channel < channels_; ++channel) {
      frames_[frame * channels_ + channel] *= gain;
    }
  }
}

void PlaybackQueue::send_block() {
  std::transform(frames_.begin(), frames_.begin() + filling_.frames * channels_,
                 filling_.samples.begin(), safe);
  blocks_.try_enqueue(filling_);
}

void PlaybackQueue::top_up() {
  const std::int64_t position = position_.load();
  const std::int64_t end = position + lead_frames_;
  while (taken_ < end) {
    // After a pause the signal is wound on to where the device is; nothing late is queued.
    const std::int64_t late = position - taken_;
    const auto whole = static_cast<std::int64_t>(block_frames_);
    const std::int64_t count = late > 0 ? std::min(whole, late) : whole;
    fill_block(static_cast<std::size_t>(count));
    if (late <= 0) send_block();  // never full: it has room for twice the lead
  }
}

void PlaybackQueue::fade_out(std::int64_t fade_frames) {
  if (!signal_) return;
  for (std::int64_t done = 0; done < fade_frames;) {
    const auto count = std::min(static_cast<std::int64_t>(block_frames_), fade_frames - done);
    fill_block(static_cast<std::size_t>(count));
    fade_block(done, fade_frames);
    send_block();
    done += count;
  }
  signal_.reset();
}

bool PlaybackQueue::covers(std::int64_t position) const noexcept {
  return position < playing_.first + static_cast<std::int64_t>(playing_.frames);
}

bool PlaybackQueue::read(float* samples, std::size_t frames) noexcept {
  std::int64_t position = position_.load(std::memory_order_relaxed);
  bool is_complete = true;
  for (std::size_t done = 0; done < frames;) {
    while (!covers(position) && blocks_.try_dequeue(playing_)) {
    }
    std::size_t count = frames - done;
    // A block can also begin later, when the writer wound its signal on.
    if (covers(position) && playing_.first <= position) {
      const auto offset = static_cast<std::size_t>(position - playing_.first);
      count = std::min(count, playing_.frames - offset);
      std::copy_n(playing_.samples.data() + offset * channels_, count * channels_,
                  samples + done * channels_);
    } else {
      if (covers(position))
        count = std::min(count, static_cast<std::size_t>(playing_.first - position));
      std::fill_n(samples + done * channels_, count * channels_, 0.0F);
      is_complete = false;
    }
    done += count;
    position += static_cast<std::int64_t>(count);
  }
  position_.store(position);
  return is_complete;
}

}  // namespace sinewright
