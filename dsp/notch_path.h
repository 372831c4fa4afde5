// The second way of measuring distortion: in the time domain, as a notch meter does it.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "dsp/band.h"
#include "dsp/biquad.h"
#include "dsp/units.h"

namespace sinewright {

/// What the notch leaves of a block.
struct NotchReading {
  double mean_square = 0;        ///< after the notch and the band limits
  std::size_t settled_from = 0;  ///< first frame that was counted
};

/// Notch and band limits in series. The low-pass is elliptic, order 8: flat to the band edge within
/// 0.05 dB and 80 dB down just above it; the high-pass a Butterworth of order 2 at the lower edge.
class NotchPath {
 public:
  NotchPath(SampleRate fs, const Band& band, double q);

  /// Filters `frames` (interleaved, 1 or 2 channels) in place, starting in the steady state of
  /// `tones`, one list for each channel: nothing but what they leave out has to settle, and the
  /// first 50 ms (a quarter of the block at the most) are not counted.
  /// Returns one reading for each channel.
  [[nodiscard]] std::vector<NotchReading> run(std::span<double> frames, Hertz centre,
                                              std::span<const std::vector<SteadyTone>> tones) const;

  /// Power gain of the band limits alone.
  [[nodiscard]] double band_power_gain(double frequency_hz) const;

  /// Power gain of the notch alone, with `warped_sq` = tan^2(pi f / fs) of the frequency and of the
  /// centre.
  [[nodiscard]] double notch_power_gain(double warped_sq, double centre_warped_sq) const;

  /// Gain of the notch for a tone whose level moves: amplitude slope (1/s) to output amplitude.
  [[nodiscard]] double slope_gain_s(double centre_hz) const {
    return 2 * q_ / (kTwoPi * centre_hz);
  }

 private:
  SampleRate fs_;
  double q_;
  std::vector<Biquad> band_sections_;
};

}  // namespace sinewright
