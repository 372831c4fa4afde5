// Frames on their way into the audio callback, without any device.
#include "device/playback_queue.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>

#include "within.h"

namespace sinewright {
namespace {

/// Counts its frames: the n-th is n / 2^20 on every channel, from 1 on. Exact as float.
class Counter final : public Signal {
 public:
  void fill(std::span<double> frames, int channels) override {
    for (std::size_t i = 0; i < frames.size(); i += channels) {
      ++count_;
      for (int channel = 0; channel < channels; ++channel) frames[i + channel] = count_ * 0x1p-20;
    }
  }

 private:
  int count_ = 0;
};

class Constant final : public Signal {
 public:
  explicit Constant(double value) : value_(value) {}
  void fill(std::span<double> frames, int) override {
    std::fill(frames.begin(), frames.end(), value_);
  }

 private:
  double value_;
};

/// What a callback of `frames` frames gets on the first channel, as counts of Counter.
std::vector<int> played(PlaybackQueue& queue, std::size_t frames, bool is_complete = true) {
  std::vector<float> samples(2 * frames, 9.0F);
  CHECK(queue.read(samples.data(), frames) == is_complete);
  std::vector<int> counts;
  for (std::size_t n = 0; n < frames; ++n) {
    CHECK(samples[2 * n] == samples[2 * n + 1]);
    counts.push_back(static_cast<int>(samples[2 * n] * 0x1p20F));
  }
  return counts;
}

}  // namespace

TEST_CASE("frames come out in order, after the silence that was queued before") {
  PlaybackQueue queue(2, 1000);
  queue.top_up();
  const auto start = queue.frames_played();
  CHECK(start >= 1000);
  CHECK(start < 1128);
  CHECK(queue.is_silent());
  queue.play(std::make_shared<Counter>());
  std::int64_t number = 0;
  for (const std::size_t frames : {1U, 64U, 500U, 999U, 3U, 700U, 700U}) {
    queue.top_up();
    for (const int count : played(queue, frames)) {
      CHECK(count == std::max<std::int64_t>(number - start + 1, 0));
      ++number;
    }
  }
  CHECK_FALSE(queue.is_silent());
}

TEST_CASE("a signal can be replaced by another and by silence, at once") {
  PlaybackQueue queue(2, 256);
  queue.play(std::make_shared<Counter>());
  queue.top_up();
  queue.play(nullptr);
  CHECK(played(queue, 256).back() == 256);
  CHECK(queue.is_silent());
  queue.top_up();
  CHECK(played(queue, 256).front() == 0);
}

TEST_CASE("an underrun plays silence and does not shift what follows") {
  PlaybackQueue queue(2, 512);
  queue.play(std::make_shared<Counter>());
  queue.top_up();
  const auto first = played(queue, 700, false);
  CHECK(first[511] == 512);
  CHECK(first[512] == 0);
  CHECK(first[699] == 0);
  // Frame 700 is the count 701: those in between were dropped.
  queue.top_up();
  const auto next = played(queue, 300);
  CHECK(next.front() == 701);
  CHECK(next.back() == 1000);
  CHECK(queue.frames_played() >= 700 + 512);
}

TEST_CASE("a pause far longer than the queue is caught up with") {
  PlaybackQueue queue(2, 512);
  queue.play(std::make_shared<Counter>());
  queue.top_up();
  played(queue, 100000, false);
  queue.top_up();
  CHECK(played(queue, 512).front() == 100001);
}

TEST_CASE("nothing beyond full scale or not finite reaches the output") {
  PlaybackQueue queue(1, 256);
  std::vector<float> samples(256);
  const auto played_for = [&](double value) {
    queue.play(std::make_shared<Constant>(value));
    queue.top_up();
    CHECK(queue.read(samples.data(), 256));
    return samples[255];
  };
  CHECK(played_for(1.5) == 1.0F);
  CHECK(played_for(-99) == -1.0F);
  CHECK(played_for(std::nan("")) == 0.0F);
  CHECK(played_for(std::numeric_limits<double>::infinity()) == 0.0F);
  CHECK(played_for(0.25) == 0.25F);
}

TEST_CASE("a fade-out ends in silence by a raised cosine") {
  PlaybackQueue queue(2, 512);
  queue.play(std::make_shared<Constant>(0.5));
  queue.top_up();
  queue.fade_out(960);
  CHECK_FALSE(queue.is_silent());
  std::vector<float> samples(2 * (512 + 960));
  CHECK(queue.read(samples.data(), 512 + 960));
  CHECK(queue.is_silent());
  // Half a period of 0.5 (1 + cos), in single precision.
  for (std::size_t n = 0; n < 960; ++n) {
    const double gain = 0.5 * (1 + std::cos(std::acos(-1.0) * static_cast<double>(n + 1) / 960));
    CHECK(within(samples[2 * (512 + n) + 1], 0.5 * gain, 1e-7));
  }
  queue.top_up();
  CHECK(queue.read(samples.data(), 100));
  CHECK(samples[0] == 0.0F);
}

TEST_CASE("a fade-out of silence is nothing") {
  PlaybackQueue queue(2, 512);
  queue.top_up();
  const auto before = queue.frames_played();
  queue.fade_out(960);
  CHECK(queue.frames_played() == before);
  CHECK(queue.is_silent());
}

}  // namespace sinewright
