// From budgets to readings: how far a level or a ratio may lie from what was read, and what limits
// it. Nothing here gives a number on a bench that is not calibrated.
#pragma once

#include <optional>
#include <string>

#include "bench/budget.h"
#include "bench/uncertainty.h"
#include "findings/findings.h"
#include "measure/reading_context.h"

namespace sinewright {

/// A level as measured, RMS in samples, with what is known beside it.
struct Level {
  double rms = 0;
  double frequency_hz = 0;  ///< where the budget is taken: the tone's, or the middle of the band
  double deviation = 0;     ///< relative, of the mean, type A
  /// The sound card's own part of the power; none for a tone, which it hardly adds to.
  std::optional<NoiseShare> share;
  /// Lines add as amplitudes of unknown phase: where the unit's own lie, RMS in samples.
  std::optional<Interval> lines;
  double degrees_of_freedom = Repeatability{}.degrees_of_freedom;  ///< of `deviation`
  /// `share` holds for the loopback's gain; at the unit's, not known, it may be up to this.
  std::optional<double> open_ms = std::nullopt;
};

/// A level of the unit, from which the sound card's own is taken. RMS in samples.
struct OwnLevel {
  double rms = 0;
  double standard = 0;               ///< what the share and the spread leave open, relative
  std::optional<Interval> interval;  ///< where a single value does not say all
  bool is_sound_card = false;        ///< more than half the power is the sound card's
  bool is_open_below = false;        ///< more than kSmallShare hangs on a gain not known
};

/// A share of up to this part of the power is taken off without an interval.
inline constexpr double kSmallShare = 0.05;

[[nodiscard]] OwnLevel own_level(const Level& level);

/// Of a ratio to the tone.
struct RatioLimits {
  /// The unit's, where that is not what was read.
  std::optional<double> own;
  std::optional<Interval> interval;
  bool is_sound_card = false;
  std::optional<Uncertainty> relative;  ///< none where the interval is all that can be said
};

/// A level at one frequency and channel: what corrects its volts, and how sure each unit is.
/// Relative: 1 is 100 %.
struct LevelUncertainty {
  double correction = 1;                 ///< factor on volts
  std::optional<Uncertainty> converter;  ///< of the samples themselves: type A only
  std::optional<Uncertainty> volts;
  std::optional<Uncertainty> watts;  ///< none where the load is not calibrated
};
[[nodiscard]] LevelUncertainty level_uncertainty(const ReadingContext& context,
                                                 const std::string& channel, double frequency_hz,
                                                 const Repeatability& spread);

/// Type A alone.
[[nodiscard]] Uncertainty spread_only(
    double deviation, double degrees_of_freedom = Repeatability{}.degrees_of_freedom);

/// Gives `reading` the relative uncertainty of an amplitude ratio (for W: of a power ratio) in its
/// own unit. A reading without value gets none.
void set_uncertainty(Reading& reading, const Uncertainty& relative);
/// The same of one that is in the reading's unit already.
void set_absolute_uncertainty(Reading& reading, const Uncertainty& uncertainty);

/// dB of an amplitude ratio that may be nothing: not below kNothing_db.
[[nodiscard]] double db_or_nothing(double ratio);

/// Noise of the sound card while a tone comes in, or none, in the band of `context`; none where
/// there is no loopback. A band that is not the loopback's opens the share.
[[nodiscard]] std::optional<NoiseShare> noise_share(const ReadingContext& context,
                                                    const std::string& channel,
                                                    const std::optional<OperatingPoint>& at);

/// The share under a weighting, for which the sound card's noise is taken as white: to a factor of
/// two either way.
[[nodiscard]] std::optional<NoiseShare> weighted_share(const std::optional<NoiseShare>& share,
                                                       double white_gain);

/// Power of white noise in the band of `context` under A weighting, and under BS.468, relative to
/// unweighted.
[[nodiscard]] double white_gain_a(const ReadingContext& context);
[[nodiscard]] double white_gain_468(const ReadingContext& context);

/// Of a ratio of a tone to noise, or noise to a tone: spreads, the sound card's share, and its
/// response between the two. `own` and `interval` are the noise's in samples as they compare with
/// the tone as read: both as corrected as their volts, so that the ratio is that of the volts.
[[nodiscard]] RatioLimits noise_ratio_limits(const ReadingContext& context,
                                             const std::string& channel, const Level& noise,
                                             double tone_hz, double tone_deviation);

}  // namespace sinewright
