// What the sound card itself does, from its loopback: the response to take out of a reading, and
// the distortion and noise that no reading can see below.
//
// Harmonics of the output and of the input may cancel in the loopback and then not at the unit,
// whose gain, phase and levels differ; two converters that each distort can so look better together
// than either is. A second loop through the divider tells them apart (converter_split.h). Without
// it all levels around an operating point are taken, not only the nearest, because such a
// cancellation seldom holds over several levels; that helps a little. And noise is that of the
// loopback's band: a reading in another band needs a loopback in that band.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "bench/loopback_table.h"
#include "findings/findings.h"

namespace sinewright {

/// One harmonic of the sound card itself as an amplitude relative to the tone. Where the loopback
/// did not find it, its floor stands for it: whole in `highest`, divided by sqrt(3) in `typical`
/// (the rms of an amplitude that may be anything from none to the floor).
struct ResidualBound {
  double typical = 0;  ///< interpolated at the input's level and the tone's frequency, dB over
                       ///< dB and over log frequency: exact for a power law of the level; of two
                       ///< parts, their root sum of squares
  /// What makes up `typical`, each of a phase of its own: with the loop through the divider the
  /// output's part and the input's, else all in the first.
  std::array<double, 2> parts{};
  double highest = 0;         ///< the largest of the tones around the operating point
  bool is_bracketed = false;  ///< false: loopback tones do not lie on both sides of this level, or
                              ///< the frequency is over a third of an octave beyond the outermost
};

/// A ratio to the tone (or total) in which the sound card has a share of unknown phase.
struct Limited {
  double value = 0;            ///< the best single value, always within `interval`
  Interval interval{0, 0};     ///< where the unit's own lies
  double standard = 0;         ///< root mean square difference of `value` from the unit's own
  bool is_sound_card = false;  ///< the sound card, not the unit, limits this reading: its share
                               ///< alone leaves open more than 6 % (0.5 dB) of `value` either way
};

/// Noise powers in samples squared that are not the unit's.
struct NoiseShare {
  double least_ms = 0;  ///< certainly the sound card's
  double most_ms = 0;   ///< at most the sound card's
};

/// Answers for one profile's loopback. Channels 0 and 1; without a loopback there is no object.
class SoundCardResidual {
 public:
  /// Throws std::invalid_argument for a loopback without tones or with a tone at 0 Hz or below; so
  /// does every member for a channel above 1.
  explicit SoundCardResidual(Loopback loopback);

  /// Gain of output and input together at `frequency_hz` relative to `reference_hz`, dB, and phase
  /// right minus left, degrees; interpolated in log frequency among the tones, at each frequency
  /// the one played nearest to -12 dBFS. nullopt more than 0.3 % outside the frequencies measured.
  [[nodiscard]] std::optional<double> response_db(std::size_t channel, double frequency_hz,
                                                  double reference_hz) const;
  [[nodiscard]] std::optional<double> phase_deg(double frequency_hz) const;
  /// How far response_db() may miss at `frequency_hz`: 0 where it was measured; between, a response
  /// without a peak stays between its neighbours, so up to half their difference midway. nullopt as
  /// above.
  [[nodiscard]] std::optional<double> response_open_db(std::size_t channel,
                                                       double frequency_hz) const;

  /// Relative standard deviation of response_db() as an amplitude ratio: the loopback had noise of
  /// its own. From the floor under its harmonics, which stands five of their deviations up; under
  /// the analysis window (4-term Nuttall, 1.98 bins wide) a harmonic's is sqrt(1.98) times the
  /// tone's. 0 where no floor is known.
  [[nodiscard]] double response_deviation(std::size_t channel, double frequency_hz,
                                          double reference_hz) const;

  /// The loopback tones that count: the two frequencies around (the nearest one outside), and at
  /// each all tones from the one that lies at or below the point at both converters to the one that
  /// lies at or above it at both. Levels within 0.02 dB are the same level. With a loop through the
  /// divider: as split_converters() says, and above its highest drive the point is not bracketed.
  [[nodiscard]] ResidualBound harmonic(std::size_t channel, int order,
                                       const OperatingPoint& at) const;

  /// The sound card's noise at the input while a tone is played: the input converter's is absolute,
  /// the output converter's follows the gain from drive to input. With the input measured alone and
  /// the drive known both are known: least equals most. Without the input alone, the loopback's
  /// noise may be all the one or all the other. Without the drive, the least is the input's alone
  /// (0 when not known), the most what the loopback has at this input level. Interpolated as a
  /// power over the drive as a power, and over log frequency; held constant outside.
  [[nodiscard]] NoiseShare noise(std::size_t channel, const OperatingPoint& at) const;
  /// The same with nothing played: at least the input's alone, at most that or the loopback's.
  [[nodiscard]] NoiseShare silent_noise(std::size_t channel) const;
  /// Hum line of this order that the loopback has, RMS in samples; 0 when none.
  [[nodiscard]] double hum_rms(std::size_t channel, int order) const;

 private:
  [[nodiscard]] double gain_db(std::size_t channel, double frequency_hz) const;
  [[nodiscard]] double gain_deviation(std::size_t channel, double frequency_hz) const;

  Loopback loopback_;
  LoopbackTable table_;
  LoopbackTable divided_;  ///< through the divider; may be empty
};

/// One harmonic as measured: amplitude ratio to the tone, less the noise's own share.
struct MeasuredHarmonic {
  int order;
  double ratio;
};

/// THD of the unit from measured harmonics m and the residual r of each: the phases between them
/// are unknown, so it lies between sqrt(sum max(0, m - r)^2) and sqrt(sum (m + r)^2), with the
/// largest residual around; the lower end is 0 where the point is not bracketed. `value` is what
/// was measured, M = sqrt(sum m^2). Power subtraction is not done: with a residual of 0.445 of the
/// unit's harmonic it is wrong by -9.6 to +2.8 dB.
///
/// `standard` takes the typical residual and phases that are uniform and independent. Along the
/// unit's harmonics (as a vector) the residual adds x, along the others it only ever raises M, so
/// to second order M errs by x + (R^2 - x^2) / 2M less x (R^2 - x^2) / 2M^2, with R^2 = sum r^2.
/// The mean square of that is v + (R^4 - 6 R^2 v + 5 q) / 4M^2, v = sum w^2 / 2 and q = 3 v^2 - 3/8
/// sum w^4 the moments of x, w = (m / M) r. With M^2 + R^2 for the last M^2 it stays positive and
/// finite down to M = 0. One small residual: r / sqrt(2), the arcsine distribution (own derivation;
/// checked by Monte Carlo). Neither end nor `standard` holds the spread of the m themselves.
///
/// Throws std::invalid_argument for a ratio that is negative or not finite.
[[nodiscard]] Limited limit_thd(std::span<const MeasuredHarmonic> harmonics,
                                const SoundCardResidual& residual, std::size_t channel,
                                const OperatingPoint& at);

/// The noise beside the harmonics, in samples.
struct NoiseMeasured {
  double fundamental_rms = 0;
  double noise_rms = 0;
  double noise_deviation = 0;  ///< relative standard deviation of noise_rms
};

/// THD+N of the unit, relative to the total. Noise has no phase to know: the sound card's share of
/// it is taken out as a power, never below zero; harmonics count as for THD. `value` has the middle
/// of the share taken out, so it is lower than what was read wherever the sound card's noise
/// matters, and the same elsewhere. The interval takes most of the share out at its lower end and
/// least at its upper end, each widened by two standard deviations of the noise; not bracketed, it
/// starts at 0 and takes nothing out above. `standard` adds to that of THD the noise's deviation
/// and the share's openness (rectangular); a caller adds the spread of the harmonics alone.
///
/// Throws std::invalid_argument as limit_thd does, and for a fundamental that is not positive or a
/// noise or deviation that is negative or not finite.
[[nodiscard]] Limited limit_thd_n(std::span<const MeasuredHarmonic> harmonics,
                                  const NoiseMeasured& noise, const SoundCardResidual& residual,
                                  std::size_t channel, const OperatingPoint& at);

}  // namespace sinewright
