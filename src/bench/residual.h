// What the sound card itself does, from its loopback: the response to take out of a reading, and
// the distortion and noise that no reading can see below.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "bench/calibration.h"
#include "findings/findings.h"

namespace sinewright {

/// Where a tone stands: frequency, and the levels at both converters.
struct OperatingPoint {
  double frequency_hz = 0;
  double input_dbfs = 0;             ///< as read
  std::optional<double> drive_dbfs;  ///< as played; none when not known (a recording)
};

/// One harmonic of the sound card itself as an amplitude relative to the tone.
struct ResidualBound {
  double typical = 0;         ///< interpolated between levels and frequencies, both logarithmic
  double highest = 0;         ///< the largest of the tones around the operating point
  bool is_bracketed = false;  ///< false: loopback tones do not lie on both sides of this level
};

/// A ratio to the tone (or total): the measured value, where the unit's own may lie, and its
/// standard uncertainty where a single value makes sense.
struct Limited {
  double value = 0;
  Interval interval{0, 0};
  double standard = 0;         ///< phase of the residual unknown: arcsine for each harmonic
  bool is_sound_card = false;  ///< the sound card, not the unit, limits this reading
};

/// Noise powers in samples squared that are not the unit's.
struct NoiseShare {
  double least_ms = 0;  ///< certainly the sound card's
  double most_ms = 0;   ///< at most the sound card's
};

/// Answers for one profile's loopback. Channels 0 and 1; without a loopback there is no object.
class SoundCardResidual {
 public:
  /// Throws std::invalid_argument for a loopback without tones.
  explicit SoundCardResidual(Loopback loopback);

  /// Gain of output and input together at `frequency_hz` relative to `reference_hz`, dB, and phase
  /// right minus left, degrees; interpolated in log frequency among the tones of the level nearest
  /// to -12 dBFS. nullopt outside the frequencies measured.
  [[nodiscard]] std::optional<double> response_db(std::size_t channel, double frequency_hz,
                                                  double reference_hz) const;
  [[nodiscard]] std::optional<double> phase_deg(double frequency_hz) const;

  /// The loopback tones that count: the two frequencies around, and at each all levels from the one
  /// at or below the lower of input and drive to the one at or above the higher.
  [[nodiscard]] ResidualBound harmonic(std::size_t channel, int order,
                                       const OperatingPoint& at) const;

  /// The sound card's noise at the input while a tone is played: the input converter's is absolute,
  /// the output converter's follows the gain from drive to input. Where the input was not measured
  /// alone, or the drive is not known, the share stays open between least and most.
  [[nodiscard]] NoiseShare noise(std::size_t channel, const OperatingPoint& at) const;
  /// The same with nothing played.
  [[nodiscard]] NoiseShare silent_noise(std::size_t channel) const;
  /// Hum line of this order that the loopback has, RMS in samples; 0 when none.
  [[nodiscard]] double hum_rms(std::size_t channel, int order) const;

 private:
  Loopback loopback_;
};

/// One harmonic as measured: amplitude ratio to the tone, less the noise's own share.
struct MeasuredHarmonic {
  int order;
  double ratio;
};

/// THD of the unit from measured harmonics m and the residual r of each: the phases between them
/// are unknown, so it lies between sqrt(sum max(0, m - r)^2) and sqrt(sum (m + r)^2), with the
/// largest residual around; the lower end is 0 where the level is not bracketed. Power subtraction
/// is not done: it is wrong by -9.6 to +2.8 dB. `standard` takes the typical residual.
[[nodiscard]] Limited limit_thd(std::span<const MeasuredHarmonic> harmonics,
                                const SoundCardResidual& residual, std::size_t channel,
                                const OperatingPoint& at);

/// THD+N the same, with the noise as powers: `noise_ms` measured less the sound card's share, never
/// below zero. All in samples; `thd_n` relative to the total.
struct NoiseMeasured {
  double fundamental_rms = 0;
  double noise_rms = 0;
  double noise_deviation = 0;  ///< relative standard deviation of noise_rms
};
[[nodiscard]] Limited limit_thd_n(std::span<const MeasuredHarmonic> harmonics,
                                  const NoiseMeasured& noise, const SoundCardResidual& residual,
                                  std::size_t channel, const OperatingPoint& at);

}  // namespace sinewright
