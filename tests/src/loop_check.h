// What the log of a looped bench must show, whatever went wrong on it.
#pragma once

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>

#include "looped_bench.h"

namespace sinewright {

constexpr std::int64_t kLoopRamp = 480;  // frames

/// Of a sine at the looped bench's input.
inline double looped_watts(double rms) { return std::pow(rms * std::sqrt(2.0) * 40, 2) / 8; }

/// No step beyond a ramp's and a tone's of up to `highest_hz`; silence at the end.
inline void check_ramps(const LoopLog& log, double highest_hz) {
  double highest = 0;
  double largest_step = 0;
  for (std::size_t i = 1; i < log.played.size(); ++i) {
    highest = std::max(highest, std::abs(log.played[i]));
    largest_step = std::max(largest_step, std::abs(log.played[i] - log.played[i - 1]));
  }
  // A raised-cosine ramp of 480 frames: pi/2 / 480 a frame; from tone to tone there are two.
  const double steepest = 2 * std::sin(std::numbers::pi * highest_hz / LoopedBench::kRate_hz);
  CHECK(largest_step <= highest * (steepest + 2 * std::numbers::pi / 2 / kLoopRamp) + 1e-12);
  REQUIRE(log.played.size() > kLoopRamp);
  CHECK(
      std::all_of(log.played.end() - kLoopRamp, log.played.end(), [](double x) { return x == 0; }));
}

/// From the block that first shows more than `most_w` the output is down within a ramp, for good,
/// and the terminals are quiet a loop's delay and a block later. Blocks below 10 ms do not count:
/// they may hold a crest alone.
inline void check_cut(const LoopLog& log, double most_w) {
  const auto is_too_much = [&](std::size_t k) {
    const std::int64_t before = k > 0 ? log.played_before[k - 1] : 0;
    return log.watts[k] > most_w && log.played_before[k] - before >= 480;
  };
  std::size_t first = 0;
  while (first < log.watts.size() && !is_too_much(first)) ++first;
  if (first == log.watts.size()) return;
  const std::int64_t seen_at = log.played_before[first];
  const auto down_at = static_cast<std::size_t>(seen_at + kLoopRamp);
  for (std::size_t i = down_at; i < log.played.size(); ++i) {
    if (log.played[i] == 0) continue;
    FAIL_CHECK("played " << i - down_at << " frames after it had to be down");
    break;
  }
  for (std::size_t k = first; k < log.watts.size(); ++k) {
    if (log.played_before[k] < seen_at + kLoopRamp + LoopedBench::kDelay + 960) continue;
    if (!is_too_much(k)) continue;
    FAIL_CHECK("too much in block " << k);
    break;
  }
}

}  // namespace sinewright
