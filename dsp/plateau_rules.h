// The statistics by which the plateau detector decides; no positions, no buffers.
#pragma once

#include <complex>
#include <vector>

#include "dsp/hop_meter.h"

namespace sinewright {

/// What a short window shows.
enum class WindowVerdict { kTone, kTwoTones, kNoise, kTooShort };

/// A tone holds half the power or more in one line; two tones nine tenths in two lines, the weaker
/// above -15 dB and not a low harmonic of the stronger. kTooShort: the strongest line spans fewer
/// than four periods. Lines within 0.7 % (and a tenth of
/// a bin) of 50, 60, 100, 120, 150 or 180 Hz below `hum_below_dbfs`
/// are hum, that is, noise.
[[nodiscard]] WindowVerdict judge_window(const ShortSpectrum& spectrum, double hum_below_dbfs);

/// Whether `channel` carries a tone of another frequency than `lead`.
[[nodiscard]] bool has_own_tone(const ShortSpectrum& channel, const ShortSpectrum& lead,
                                double bin_hz);

/// How a hop departs from the prediction, in rising order of gravity.
enum class HopVerdict { kHolds, kPhaseMoved, kResidualMoved, kLevelMoved };

/// Follows the phasors of one channel's tones from hop to hop: memory of 16 hops for the
/// phasor, its turn in a hop (what the frequency is off), the residual, and the innovations.
class ToneFollower {
 public:
  /// `lost_frame_rad`: for each tone, the phase that losing one frame turns it by.
  explicit ToneFollower(std::vector<double> lost_frame_rad)
      : lost_frame_rad_(std::move(lost_frame_rad)), states_(lost_frame_rad_.size()) {}

  /// `hops_ahead`: 1 for the hop that follows the last accepted one.
  [[nodiscard]] HopVerdict judge(const HopMeter::Reading& hop, std::size_t hop_frames,
                                 int hops_ahead) const;

  /// `leader`: whose turn to take over; nullptr to learn it from the phasors.
  void accept(const HopMeter::Reading& hop, const ToneFollower* leader);

  /// Hops went by that are not counted.
  void skip(int hops);
  /// Frames were lost: the tone goes on from `hop` with another phase.
  void restart_at(const HopMeter::Reading& hop);
  /// The meter moved to the frequency shown so far; `hop` is the last hop read by the new meter.
  void rebase(const HopMeter::Reading& hop);

  /// Hops accepted so far.
  [[nodiscard]] int hops() const { return hops_; }
  /// Mean square of the residual relative to that of the tones.
  [[nodiscard]] double residual_share() const;
  /// Mean square of the weaker tone relative to that of the stronger.
  [[nodiscard]] double weakest_share() const;
  /// Whether the level of the first tone runs away, hop by hop too little to be seen: a knob turned
  /// slowly. 0.5 dB/s over the last sixteen hops (three at least), plus six standard deviations.
  [[nodiscard]] bool is_moving(std::size_t hop_frames, double hop_s) const;
  [[nodiscard]] double turn_rad(std::size_t tone) const { return states_[tone].turn_rad; }
  /// Phase of `hop` less the predicted one, in (-pi, pi].
  [[nodiscard]] double phase_error_rad(const HopMeter::Reading& hop, int hops_ahead) const;

 private:
  struct State {
    std::complex<double> phasor = 0;
    double turn_rad = 0;
    double innovation_ms = 0;
  };
  [[nodiscard]] std::complex<double> predicted(const State& state, int hops_ahead) const;
  [[nodiscard]] double deviation(const State& state, std::size_t hop_frames) const;

  std::vector<double> lost_frame_rad_;
  std::vector<State> states_;
  std::vector<double> recent_levels_;  // of the first tone, the last sixteen hops, oldest first
  double residual_ms_ = 0;
  int hops_ = 0;
};

/// Follows the level of noise in dB, with its own spread.
class LevelFollower {
 public:
  /// Within five standard deviations (and 0.2 dB) of the mean so far.
  [[nodiscard]] bool holds(double power) const;
  /// Within a factor of 10 of the mean: for slices too short to be judged.
  [[nodiscard]] bool resembles(double power) const;
  void accept(double power);

 private:
  double mean_db_ = 0;
  double variance_ = 0;
  int hops_ = 0;
};

}  // namespace sinewright
