// Frames and gaps on their way out of the audio callback, without any device.
#include "device/capture_queue.h"

#include <doctest/doctest.h>

#include <thread>

namespace sinewright {
namespace {

using namespace std::chrono_literals;

/// Frames numbered from `first`, the channel in the fraction: frame 7 of two channels is 7, 7.5.
std::vector<float> numbered(int first, int frames, int channels) {
  std::vector<float> samples;
  for (int n = first; n < first + frames; ++n) {
    for (int channel = 0; channel < channels; ++channel) {
      samples.push_back(static_cast<float>(n) + 0.5F * static_cast<float>(channel));
    }
  }
  return samples;
}

/// A callback that delivers `frames` frames from number `first` on.
void deliver(CaptureQueue& queue, int first, int frames, CaptureTrouble trouble = {}) {
  queue.write(numbered(first, frames, 2).data(), static_cast<std::size_t>(frames), trouble);
}

/// The next frames as far as they are there.
std::vector<double> read(CaptureQueue& queue, std::size_t frames) {
  std::vector<double> samples(2 * frames);
  samples.resize(2 * queue.read(samples, 0ms, [] {}));
  return samples;
}

std::vector<std::int64_t> gaps(const CaptureQueue& queue) {
  return {queue.gaps().begin(), queue.gaps().end()};
}

}  // namespace

TEST_CASE("frames pass in order through callbacks and reads of any size") {
  CaptureQueue queue(2, 10000, 0);
  int sent = 0;
  for (const int frames : {1, 7, 128, 129, 1024, 3, 900}) {
    deliver(queue, sent, frames);
    sent += frames;
  }
  std::vector<double> came;
  for (const std::size_t frames : {5U, 1000U, 1U, 5000U}) {
    const auto part = read(queue, frames);
    came.insert(came.end(), part.begin(), part.end());
  }
  // What does not fill a block of 128 frames waits for more.
  REQUIRE(came.size() == 2 * 128 * (2192 / 128));
  for (std::size_t n = 0; n < came.size() / 2; ++n) {
    CHECK(came[2 * n] == static_cast<double>(n));
    CHECK(came[2 * n + 1] == static_cast<double>(n) + 0.5);
  }
  CHECK(gaps(queue).empty());
}

TEST_CASE("a loss that the driver reports is a gap before the first frame of that callback") {
  CaptureQueue queue(2, 10000, 0);
  deliver(queue, 0, 100);
  deliver(queue, 150, 100, {.lost_before = true});
  deliver(queue, 250, 156);
  const auto came = read(queue, 356);
  REQUIRE(came.size() == std::size_t{2} * 356);
  CHECK(gaps(queue) == std::vector<std::int64_t>{100});
  CHECK(came[std::size_t{2} * 99] == 99);
  CHECK(came[std::size_t{2} * 100] == 150);
}

TEST_CASE("frames that the device did not have have a gap on either side") {
  CaptureQueue queue(2, 10000, 0);
  deliver(queue, 0, 100);
  queue.write(nullptr, 50, {.these_are_void = true});
  deliver(queue, 100, 128);
  const auto came = read(queue, 278);
  REQUIRE(came.size() == std::size_t{2} * 278);
  CHECK(came[std::size_t{2} * 120] == 0);
  CHECK(came[std::size_t{2} * 150] == 100);
  CHECK(gaps(queue) == std::vector<std::int64_t>{100, 150});
}

TEST_CASE("a gap is told only when its frame has been read") {
  CaptureQueue queue(2, 10000, 0);
  deliver(queue, 0, 128);
  deliver(queue, 200, 128, {.lost_before = true});
  read(queue, 128);
  CHECK(gaps(queue).empty());
  read(queue, 1);
  CHECK(gaps(queue) == std::vector<std::int64_t>{128});
}

TEST_CASE("a reader that is late loses frames, and a gap stands where they are missing") {
  CaptureQueue queue(2, 1024, 0);
  int sent = 0;
  for (; sent < 128 * 40; sent += 128) deliver(queue, sent, 128);
  const auto kept = read(queue, 10000);
  const auto frames_kept = static_cast<std::int64_t>(kept.size() / 2);
  CHECK(frames_kept >= 1024);
  CHECK(frames_kept < 40 * 128);
  CHECK(gaps(queue).empty());
  deliver(queue, sent, 128);
  const auto next = read(queue, 10000);
  REQUIRE(next.size() == 256);
  CHECK(next[0] == sent);
  CHECK(gaps(queue) == std::vector<std::int64_t>{frames_kept});
}

TEST_CASE("a hole in the output is noted at once and where it comes back") {
  CaptureQueue queue(2, 10000, 1000);
  deliver(queue, 0, 300);
  deliver(queue, 300, 300, {.output_slipped = true});
  deliver(queue, 600, 200, {.output_slipped = true});
  deliver(queue, 800, 1000);
  read(queue, 900);
  CHECK(gaps(queue) == std::vector<std::int64_t>{300, 600});
  read(queue, 900);
  CHECK(gaps(queue) == std::vector<std::int64_t>{300, 600, 1300, 1600});
}

TEST_CASE("an echo of the output that falls on a gap is told once, and in order") {
  CaptureQueue queue(2, 10000, 500);
  deliver(queue, 0, 128, {.output_slipped = true});
  deliver(queue, 128, 372);
  deliver(queue, 500, 128, {.lost_before = true});
  deliver(queue, 628, 128, {.lost_before = true});
  read(queue, 756);
  CHECK(gaps(queue) == std::vector<std::int64_t>{0, 500, 628});
}

TEST_CASE("a reader waits for a writer on another thread") {
  CaptureQueue queue(2, 100000, 0);
  std::thread writer([&] {
    for (int sent = 0; sent < 64 * 200; sent += 64) deliver(queue, sent, 64);
  });
  std::vector<double> samples(2 * 64 * 200);
  int asked = 0;
  // Long enough for the slowest machine; the test takes no time when all is well.
  const auto came = queue.read(samples, 10s, [&] { ++asked; });
  writer.join();
  REQUIRE(came == 64 * 200);
  CHECK(asked == 100);  // once for each block
  CHECK(samples[2 * 12345] == 12345);
  CHECK(queue.gaps().empty());
}

TEST_CASE("channel counts that do not fit a block are refused") {
  CHECK_THROWS_AS(CaptureQueue(0, 100, 0), std::invalid_argument);
  CHECK_THROWS_AS(CaptureQueue(65, 100, 0), std::invalid_argument);
}

}  // namespace sinewright
