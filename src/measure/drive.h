// The only hand on the drive: what is played, how far it may be raised, and when it is cut.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "bench/load_limit.h"
#include "bench/profile.h"
#include "dsp/generator.h"

namespace sinewright {

/// Why the output fell silent by itself.
enum class Cut {
  kNone,
  kTooMuch,     ///< more watts, or samples, than allowed
  kInputClips,  ///< the sound card's input: no reading tells how much there is
  kLoadHot,     ///< the load has had all that it bears
  kDwell        ///< above 10 kHz for as long as output networks stand it
};

/// Owns the tone generator. A level is raised through play() alone, in ramps, and only as far as
/// next_level() allows: predicted from what the level before gave. What comes back is shown to
/// observe(), block by block; it learns the gain, adds up heat and dwell, and cuts.
///
/// Watts are known with a chain only, and only while a unit is driven. Otherwise every level up to
/// full scale is allowed.
///
/// Levels are RMS, dBFS re a full-scale sine. `channels`: bit mask of outputs.
class Drive {
 public:
  static constexpr double kRamp_s = 0.01;
  /// Too faint to hurt anything, whatever the gain: 2 mV from an output of 2 V. Climbs start here.
  static constexpr double kFaintest_dbfs = -60;
  /// Most that a climb goes up at once.
  static constexpr double kClimb_db = 20;

  /// Silent, limited to the lesser of the profile's limit and the load's rating. `inputs`: 1 or 2.
  Drive(SampleRate fs, std::size_t inputs, const std::optional<Chain>& chain);

  /// For the stream to play.
  [[nodiscard]] std::shared_ptr<Signal> signal() const { return generator_; }

  /// From now on nothing above `watts`, nor ever above the profile's limit and the load's rating;
  /// forgets a cut. A tenth more is borne before it is cut: noise, hum, windows that hold no whole
  /// periods. `is_confirmable`: refusals name the checklist that would allow more than 1 W.
  void limit_watts(double watts, bool is_confirmable = true);
  [[nodiscard]] double limit_w() const { return limit_w_; }
  /// The output is wired to the bench itself, not to a unit (calibration): volts are no watts, any
  /// level may be played at once, and more than `rms` in samples over a block cuts. Forgets a cut
  /// and the gain.
  void limit_rms(double rms);

  /// The level to play next on the way to `level_dbfs`: that itself, or a lower one to be observed
  /// first. Never more than kClimb_db above what was observed; kFaintest_dbfs where the gain is
  /// unknown: nothing observed yet, another output, farther than an octave, or forgotten, by
  /// forget_gain() or after three seconds of silence, in which anything may have been turned. From
  /// one level to the next the gain is taken to rise by 1 dB in 20 at the most.
  /// Throws Error (kRefused) when it would come to more than the limit, or after a cut.
  [[nodiscard]] double next_level(Hertz frequency, double level_dbfs, std::uint32_t channels) const;
  /// Throws Error (kUsage) for a frequency or level that no generator can play.
  void check_playable(Hertz frequency, double level_dbfs) const;
  /// Ramps to a tone. Throws Error (kRefused) unless next_level() allows it, Error (kUsage) for a
  /// frequency or level that cannot be played.
  void play(Hertz frequency, double level_dbfs, std::uint32_t channels);
  /// Ramps to silence.
  void silence();
  /// Nothing observed so far is trusted: a hand was at the bench.
  void forget_gain() { observed_.reset(); }

  [[nodiscard]] double level_dbfs() const { return level_dbfs_; }
  [[nodiscard]] bool is_playing() const { return level_dbfs_ > -kInfinity; }
  /// True once the ramp to silence has been handed out as well.
  [[nodiscard]] bool is_silent() const { return generator_->is_silent(); }
  [[nodiscard]] Hertz frequency() const { return frequency_; }
  [[nodiscard]] std::uint32_t channels() const { return channels_; }

  /// Where the next tone sounds; while silent.
  void set_channels(std::uint32_t channels) { channels_ = channels; }

  /// How long a tone rings in before it counts as observed, and how long it is observed.
  [[nodiscard]] double settling_s() const;
  [[nodiscard]] double window_s() const;

  /// Frames as they came back, interleaved. `is_settled`: they hold what is now being played.
  void observe(std::span<const double> frames, bool is_settled);

  [[nodiscard]] Cut cut() const { return cut_; }
  /// One clause on why it was cut and what to do; empty without a cut.
  [[nodiscard]] std::string cut_text() const;

  /// Watts of the loudest channel at a level, from the last one observed; none when unknown.
  [[nodiscard]] std::optional<double> predicted_watts(Hertz frequency, double level_dbfs,
                                                      std::uint32_t channels) const;
  /// Whether `watts` at `frequency` are what output networks stand for profile.dwell_s only: above
  /// 10 kHz, above a quarter of the limit, and above 1 W.
  [[nodiscard]] bool is_dwelling(Hertz frequency, double watts) const;
  /// Seconds of silence before `watts` for `duration_s` may be played; infinity: not even from
  /// cold.
  [[nodiscard]] double rest_s(Hertz frequency, double watts, double duration_s) const;
  /// For how long what is being played may go on.
  [[nodiscard]] double allowed_s() const;

 private:
  static constexpr double kInfinity = std::numeric_limits<double>::infinity();

  struct Observed {  // what a level gave, each input
    double frequency_hz;
    double level_dbfs;
    std::uint32_t channels;
    std::array<double, 2> watts;
  };

  [[nodiscard]] bool is_limited() const { return chain_ && is_unit_driven_; }
  [[nodiscard]] bool knows(Hertz frequency, std::uint32_t channels) const;
  [[nodiscard]] double most_watts() const;
  [[nodiscard]] double watts_of(double mean_square, std::size_t channel) const;
  [[nodiscard]] bool clips(std::span<const double> frames);
  [[nodiscard]] double crest(double seconds) const;
  void watch(std::span<const double> mean_square, double seconds);
  void learn(std::span<const double> mean_square, double seconds);
  void forget_window();
  void cut_because(Cut reason);
  [[nodiscard]] const char* way_to_more() const;
  [[noreturn]] void refuse(double level_dbfs, double watts) const;

  SampleRate fs_;
  std::size_t inputs_;
  std::optional<Chain> chain_;
  std::shared_ptr<ToneGenerator> generator_;
  bool is_unit_driven_ = true;
  bool is_confirmable_ = true;
  double limit_w_ = kInfinity;
  double limit_rms_ = kInfinity;  // without a unit

  double level_dbfs_ = -kInfinity;
  Hertz frequency_{0};
  std::uint32_t channels_ = ~0U;

  std::optional<Observed> observed_;
  std::array<double, 2> floor_w_{};  // in silence
  bool has_floor_ = false;
  std::array<double, 2> window_w_s_{};  // of the window under way
  double window_s_ = 0;
  double silent_s_ = 0;

  std::vector<LoadHeat> heat_;  // each input; none without a chain
  std::array<double, 2> now_w_{};
  double dwelt_s_ = 0;
  std::array<int, 2> full_scale_run_{};
  Cut cut_ = Cut::kNone;
};

}  // namespace sinewright
