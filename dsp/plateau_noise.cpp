// Following noise: for each channel two levels, of the samples and of their differences.
#include <algorithm>
#include <cmath>

#include "dsp/plateau_state.h"

namespace sinewright {
namespace {

constexpr int kNoiseHopsToConfirm = 4;

}  // namespace

void PlateauDetector::State::start_noise() {
  mode_ = Mode::kNoise;
  begin_ = delivered_ = position_;
  is_announced_ = false;
  hops_ = 0;
  levels_.assign(2 * static_cast<std::size_t>(channels_), LevelFollower());
  is_silent_ = true;
}

std::vector<double> PlateauDetector::State::noise_powers(std::int64_t start, std::size_t count) {
  std::vector<double> powers;
  for (int c = 0; c < channels_; ++c) {
    const std::span<const double> x = channel(c, start, count);
    double sum = 0;
    double squares = 0;
    for (const double value : x) {
      sum += value;
      squares += value * value;
    }
    const double mean = sum / static_cast<double>(count);
    powers.push_back(std::max(0.0, squares / static_cast<double>(count) - mean * mean));
    // That of the differences tells of a change of colour that leaves the level alone.
    double steps = 0;
    for (std::size_t i = 1; i < count; ++i) steps += (x[i] - x[i - 1]) * (x[i] - x[i - 1]);
    powers.push_back(steps / static_cast<double>(count));
  }
  return powers;
}

void PlateauDetector::State::announce_noise() {
  close_restless(begin_);
  is_announced_ = true;
  listener_.on_begin({is_silent_ ? PlateauKind::kSilence : PlateauKind::kNoise, begin_, {}, {}});
}

bool PlateauDetector::State::follow_noise(bool is_final) {
  const std::size_t hop = even(kNoiseHop_s * fs_.hz);
  const std::size_t left = left_from(position_);
  if (left < hop) {
    if (!is_final) return false;
    // Too little for a hop of its own joins what went before.
    if (!is_announced_ && position_ == begin_ && left < hop / 4 && begin_ > restless_from_) {
      mode_ = Mode::kSearching;
      position_ = end_of_input();
      return true;
    }
    const std::vector<double> rest = noise_powers(position_, left);
    for (std::size_t c = 1; c < rest.size(); c += 2) is_silent_ = is_silent_ && rest[c] == 0;
    if (!is_announced_) announce_noise();
    deliver_to(end_of_input());
    end_plateau(end_of_input(), end_of_input());
    return true;
  }
  const auto judge_all = [&](const std::vector<double>& powers) {
    for (std::size_t c = 0; c < powers.size(); ++c) {
      if (!levels_[c].holds(powers[c])) return false;
    }
    return true;
  };
  const std::vector<double> powers = noise_powers(position_, hop);
  if (hops_ > 0 && !judge_all(powers)) {
    if (!is_announced_) {
      mode_ = Mode::kSearching;
      position_ = begin_ + static_cast<std::int64_t>(even(kShortestHop_s * fs_.hz));
      return true;
    }
    if (left < 2 * hop && !is_final) return false;
    const auto hop_frames = static_cast<std::int64_t>(hop);
    if (left >= 2 * hop && judge_all(noise_powers(position_ + hop_frames, hop))) {
      deliver_to(position_);
      listener_.on_break({PlateauBreak::Kind::kTransient, position_, position_ + hop_frames, 0});
      position_ += hop_frames;
      delivered_ = position_;
      return true;
    }
    // Tenths of a hop, up to the first that is not like the hops before.
    const std::size_t slice = hop / 10;
    std::int64_t edge = position_ - static_cast<std::int64_t>(slice);
    while (edge < position_ + hop_frames) {
      const std::vector<double> part = noise_powers(edge, slice);
      bool is_like = true;
      for (std::size_t c = 0; c < part.size(); ++c) {
        is_like = is_like && levels_[c].resembles(part[c]);
      }
      if (!is_like) break;
      edge += static_cast<std::int64_t>(slice);
    }
    edge = std::max(edge - static_cast<std::int64_t>(slice) / 2, delivered_);
    deliver_to(edge);
    end_plateau(edge, edge);
    return true;
  }
  // The search may have met the seam between two tones.
  if (!is_announced_ && hops_ == 1) {
    for (int c = 0; c < channels_; ++c) {
      const WindowVerdict verdict =
          judge_window(short_spectrum(channel(c, position_, hop), fs_), settings_.hum_below_dbfs);
      if (verdict != WindowVerdict::kTone && verdict != WindowVerdict::kTwoTones) continue;
      mode_ = Mode::kSearching;
      position_ = begin_ + static_cast<std::int64_t>(even(kShortestHop_s * fs_.hz));
      return true;
    }
  }
  for (std::size_t c = 0; c < powers.size(); ++c) {
    levels_[c].accept(powers[c]);
    is_silent_ = is_silent_ && (c % 2 == 0 || powers[c] == 0);
  }
  ++hops_;
  position_ += static_cast<std::int64_t>(hop);
  if (!is_announced_ && hops_ >= kNoiseHopsToConfirm) announce_noise();
  if (is_announced_) {
    deliver_to(position_ - static_cast<std::int64_t>(hop / 5));
  }
  return true;
}

}  // namespace sinewright
