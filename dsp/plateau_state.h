// The state of plateau detection and the steps it goes through. Internal to plateau*.cpp.
#pragma once

#include <cmath>
#include <complex>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/hop_meter.h"
#include "dsp/plateau.h"
#include "dsp/plateau_rules.h"

namespace sinewright {

inline constexpr double kShortestHop_s = 0.01;
inline constexpr double kNoiseHop_s = 0.1;
inline constexpr double kLongestWindow_s = 1;

/// The next even number of frames.
[[nodiscard]] inline std::size_t even(double frames) {
  return 2 * static_cast<std::size_t>(std::ceil(frames / 2));
}

class PlateauDetector::State {
 public:
  State(SampleRate fs, int channels, const PlateauSettings& settings, PlateauListener& listener)
      : fs_(fs), channels_(channels), settings_(settings), listener_(listener) {}

  void push(std::span<const double> frames) {
    buffer_.insert(buffer_.end(), frames.begin(), frames.end());
    while (step(false)) {
    }
    trim();
  }

  void finish(std::int64_t lost) {
    while (step(true)) {
    }
    close_restless(end_of_input());
    base_ = end_of_input() + lost;
    buffer_.clear();
    position_ = restless_from_ = input_from_ = base_;
    mode_ = Mode::kSearching;
  }

 private:
  enum class Mode { kSearching, kTone, kNoise };

  struct ToneTrack {
    std::size_t meter = 0;
    ToneFollower follower{{}};
  };

  [[nodiscard]] std::int64_t end_of_input() const {
    return base_ + static_cast<std::int64_t>(buffer_.size() / static_cast<std::size_t>(channels_));
  }

  [[nodiscard]] std::size_t left_from(std::int64_t frame) const {
    return static_cast<std::size_t>(std::max<std::int64_t>(0, end_of_input() - frame));
  }

  // One channel of `count` frames from `first` on, in scratch.
  std::span<const double> channel(int c, std::int64_t first, std::size_t count) {
    scratch_.resize(std::max(scratch_.size(), count));
    const double* from = buffer_.data() + (first - base_) * channels_ + c;
    for (std::size_t i = 0; i < count; ++i, from += channels_) scratch_[i] = *from;
    return std::span(scratch_).first(count);
  }

  void trim() {
    // Edges are looked for two hops back; a search looks back over what was restless.
    const double kept_s = mode_ == Mode::kSearching
                              ? kLongestWindow_s
                              : 2 * static_cast<double>(hop_) / fs_.hz + kNoiseHop_s;
    const std::int64_t needed =
        std::min(position_, delivered_or(position_)) - static_cast<std::int64_t>(kept_s * fs_.hz);
    const std::int64_t spare = needed - base_;
    if (spare < static_cast<std::int64_t>(0.5 * fs_.hz)) return;
    buffer_.erase(buffer_.begin(), buffer_.begin() + spare * channels_);
    base_ = needed;
  }

  [[nodiscard]] std::int64_t delivered_or(std::int64_t other) const {
    if (mode_ == Mode::kSearching) return other;
    return is_announced_ ? delivered_ : begin_;
  }

  bool step(bool is_final) {
    switch (mode_) {
      case Mode::kSearching:
        return search(is_final);
      case Mode::kTone:
        return follow_tone(is_final);
      case Mode::kNoise:
        return follow_noise(is_final);
    }
    return false;
  }

  // --- searching ---

  bool search(bool is_final);
  void start_tone(const std::vector<ShortSpectrum>& spectra, std::size_t lead, bool has_second,
                  std::size_t window);
  void start_followers();
  void start_noise();

  // --- following ---

  bool follow_tone(bool is_final);
  [[nodiscard]] std::vector<HopMeter::Reading> read_hop(std::int64_t start);
  [[nodiscard]] HopVerdict judge(const std::vector<HopMeter::Reading>& hop, int hops_ahead) const;
  void accept(const std::vector<HopMeter::Reading>& hop);
  bool resolve_anomaly(bool is_final);
  void look_again();
  [[nodiscard]] bool is_plausible_tone() const;
  [[nodiscard]] bool is_pure_tone() const;
  [[nodiscard]] bool may_announce_tone() const;
  void announce_tone();
  void sharpen_frequency();
  [[nodiscard]] double reference_residual(int c, std::int64_t start);
  [[nodiscard]] bool slice_holds(std::int64_t start, std::size_t count);
  void refer_to_hop_before(std::int64_t frame);
  [[nodiscard]] std::int64_t tone_edge(std::int64_t from, std::int64_t to);
  void deliver_to(std::int64_t frame);
  void end_plateau(std::int64_t end, std::int64_t search_from);
  void close_restless(std::int64_t until);
  void finish_tone();

  bool follow_noise(bool is_final);
  [[nodiscard]] std::vector<double> noise_powers(std::int64_t start, std::size_t count);
  void announce_noise();

  SampleRate fs_;
  int channels_;
  PlateauSettings settings_;
  PlateauListener& listener_;

  std::vector<double> buffer_;  // interleaved
  std::vector<double> scratch_;
  std::int64_t base_ = 0;           // absolute frame of the buffer's first
  std::int64_t position_ = 0;       // next frame to be examined
  std::int64_t restless_from_ = 0;  // since then no plateau
  std::int64_t input_from_ = 0;     // where the input began, or went on after a gap
  Mode mode_ = Mode::kSearching;

  std::int64_t begin_ = 0;      // of the plateau under way
  std::int64_t delivered_ = 0;  // frames handed to the listener so far
  bool is_announced_ = false;
  int hops_ = 0;

  std::size_t hop_ = 0;
  std::vector<HopMeter> meters_;
  std::vector<ToneTrack> tracks_;
  std::size_t lead_ = 0;
  std::vector<double> reference_residual_;
  std::vector<double> reference_offset_;
  std::vector<std::vector<std::complex<double>>> reference_phasors_;

  std::vector<LevelFollower> levels_;
  bool is_silent_ = false;
};

}  // namespace sinewright
