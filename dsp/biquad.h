// Second-order sections that stay exact at frequencies far below the sample rate.
#pragma once

#include <Eigen/Core>
#include <array>
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "dsp/units.h"

namespace sinewright {

/// H(z) = (b0 + b1 d + b2 d^2) / (1 + a1 d + a2 d^2), where d = 1 / (z - 1): an accumulator.
///
/// Not the usual powers of 1/z: there, a notch at 5 Hz of 768 kHz is 1 - 1.9999999983/z + 1/z^2,
/// and what rounding leaves of that puts its bottom at -140 dB. In powers of 1/(z - 1) the same
/// notch keeps all digits of its coefficients, and reaches -285 dB (measured). See R. H. Middleton
/// and G. C. Goodwin, IEEE Trans. Automatic Control 31(11), 1986, on the delta operator (from
/// memory).
struct Biquad {
  double b0 = 1;
  double b1 = 0;
  double b2 = 0;
  double a1 = 0;
  double a2 = 0;

  /// From (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2).
  [[nodiscard]] static Biquad from_z(double b0, double b1, double b2, double a1, double a2) {
    return {b0, 2 * b0 + b1, b0 + b1 + b2, 2 + a1, 1 + a1 + a2};
  }
};

/// exp(j 2 pi f / fs) - 1 without the cancellation at low frequencies.
[[nodiscard]] std::complex<double> delta_operator(Hertz frequency, SampleRate fs);

/// Gain and phase of one section, or of several in series, at `frequency`.
[[nodiscard]] std::complex<double> response(const Biquad& section, Hertz frequency, SampleRate fs);
[[nodiscard]] std::complex<double> response(std::span<const Biquad> sections, Hertz frequency,
                                            SampleRate fs);

/// amplitude * cos(2 pi f n / fs + phase) at sample n, counted from the next one to be filtered.
/// `frequency_hz` 0 with phase 0 is a constant.
struct SteadyTone {
  double frequency_hz;
  double amplitude;
  double phase_rad;
};

/// Sections in series over one or two interleaved channels, in place.
class FilterBank2 {
 public:
  /// `sections`: shared by the channels, first one first; may be empty (passes all through).
  /// Throws std::invalid_argument unless `channels` is 1 or 2.
  FilterBank2(std::span<const Biquad> sections, int channels);

  [[nodiscard]] int channels() const { return channels_; }

  /// Filters whole frames in place. Throws std::invalid_argument when `frames` does not hold a
  /// whole number of frames.
  void process(std::span<double> frames);

  /// As if silence had gone before.
  void reset();

  /// As if `tones` had been playing on `channel` for ever: the output starts in steady state, with
  /// nothing to settle. Exact for the tones, so what settles is only what they leave out.
  /// Throws std::invalid_argument when there is no such channel.
  void set_steady_state(int channel, std::span<const SteadyTone> tones, SampleRate fs);

 private:
  // Two lanes even for one channel: the second costs nothing there, a pair of lanes being the
  // smallest unit of vector arithmetic.
  using Lanes = Eigen::Array2d;
  struct Section {
    Biquad c;
    Lanes w1 = Lanes::Zero();
    Lanes w2 = Lanes::Zero();
  };
  template <int kChannels>
  void process_lanes(std::span<double> frames);

  std::vector<Section> sections_;
  int channels_;
};

}  // namespace sinewright
