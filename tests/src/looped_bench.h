// A bench in a few lines: what is played comes back times a gain, after a delay; with faults on
// purpose. Far faster than the simulated one, so that a fault can be put at hundreds of places.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <deque>
#include <memory>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "findings/error.h"
#include "played_stream.h"

namespace sinewright {

/// Full scale of the looped bench is 40 V in 8 ohm: 200 W, sine.
inline Profile looped_profile(double limit_w = 90) {
  Profile profile;
  profile.name = "looped";
  profile.hash = "0";
  profile.input_full_scale_vrms = 2;
  profile.output_full_scale_vrms = 2;
  Range range;
  range.name = "high";
  range.ratio = 20;
  profile.ranges = {range};
  profile.load.resistance_ohm = 8;
  profile.load.rated_w = 150;
  profile.power_limit_w = limit_w;
  return profile;
}

/// What went through it; outlives it.
struct LoopLog {
  std::vector<double> played;               ///< left only
  std::vector<double> watts;                ///< highest of both, each read
  std::vector<std::int64_t> played_before;  ///< frames played at the end of each read
};

class LoopedBench final : public PlayedStream {
 public:
  static constexpr int kDelay = 1000;

  /// `gain`: from sample played to sample read.
  LoopedBench(double gain, LoopLog& log) : gain_{gain, gain}, log_(log), line_(2 * kDelay, 0.0) {}

  ~LoopedBench() override {
    // As the sound card does: what still plays is played out. 20 ms.
    if (has_signal()) play_out(960);
  }

  [[nodiscard]] std::string name() const override { return "looped bench"; }

  [[nodiscard]] std::size_t read(std::span<double> samples) override {
    ++reads;
    if (reads == fails_at) throw Error(ExitCode::kDevice, "looped bench: stalled");
    const std::size_t frames = samples.size() / 2;
    const std::vector<double> out = play_out(frames);
    line_.insert(line_.end(), out.begin(), out.end());
    std::array<double, 2> sum{};
    for (std::size_t i = 0; i < samples.size(); ++i) {
      const std::size_t c = i % 2;
      if (c == 0 && read_++ == fault_at) gain_ = {gain_[0] * fault[0], gain_[1] * fault[1]};
      noise_ = noise_ * 6364136223846793005U + 1442695040888963407U;
      const double noise =
          is_exact ? 0 : 1e-6 * (static_cast<double>(noise_ >> 40) / 8388608.0 - 1);
      samples[i] = std::clamp(gain_[c] * line_.front() + noise, -1.0, 1.0);
      line_.pop_front();
      sum[c] += samples[i] * samples[i];
    }
    const double rms = std::sqrt(std::max(sum[0], sum[1]) / static_cast<double>(frames));
    log_.watts.push_back(std::pow(rms * std::sqrt(2.0) * 40, 2) / 8);
    log_.played_before.push_back(frames_played());
    return frames;
  }

  int reads = 0;
  bool is_exact = false;       ///< true: no noise at all
  int fails_at = 0;            ///< the read, from 1, that throws; 0: none
  std::int64_t fault_at = -1;  ///< frame read from which `fault` multiplies the gains
  std::array<double, 2> fault{1, 1};

 private:
  std::vector<double> play_out(std::size_t frames) {
    std::vector<double> out(2 * frames);
    pull(out);
    for (std::size_t i = 0; i < out.size(); i += 2) log_.played.push_back(out[i]);
    return out;
  }

  std::array<double, 2> gain_;
  LoopLog& log_;
  std::deque<double> line_;
  std::int64_t read_ = 0;
  std::uint64_t noise_ = 1;
};

}  // namespace sinewright
