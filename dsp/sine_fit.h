// Least-squares sine fits (IEEE Std 1057), and the frequency to start them from.
#pragma once

#include <optional>
#include <span>

#include "dsp/units.h"

namespace sinewright {

/// One sine in a record: x[n] = offset + amplitude * cos(2*pi*f*n/fs + phase) + residual[n].
struct SineFit {
  double amplitude;  ///< peak, in the unit of the samples; never negative
  double phase_rad;  ///< at the first sample, in (-pi, pi]
  double offset;     ///< mean value, in the unit of the samples
  double frequency_hz;
  double residual_rms;  ///< what the model leaves, noise and distortion together
};

/// The strongest line of `samples`, beside their mean: the peak of a Hann-windowed FFT,
/// interpolated between its two highest bins. Good to a hundredth of a bin where nothing else is
/// within four bins. nullopt for a constant. Throws std::invalid_argument below 16 samples.
[[nodiscard]] std::optional<Hertz> find_peak(std::span<const double> samples, SampleRate fs);

/// Sharpens `guess`, good to half a bin of the first sixteenth of `samples` or better, to a small
/// part of a bin of the whole: the phase turned between the halves of ever longer stretches.
[[nodiscard]] Hertz refine_frequency(std::span<const double> samples, SampleRate fs, Hertz guess);

/// The three-parameter fit: amplitude, phase and offset of a sine of known frequency.
/// Throws std::invalid_argument below 16 samples or for a frequency outside (0, fs/2).
/// Source: IEEE Std 1057 (from memory); P. Händel, IEEE Trans. Instrum. Meas. 49(6), 2000.
[[nodiscard]] SineFit fit_sine_at(std::span<const double> samples, SampleRate fs, Hertz frequency);

/// The four-parameter fit: frequency too.
///
/// `guess`: within half a bin, fs / (2 * samples.size()); farther off, the fit may settle on a side
/// lobe. find_peak() gives one good enough. `samples` should span five periods or more.
/// Returns nullopt when 20 steps do not converge: there is no sine to fit.
/// In white noise of variance s^2, var(amplitude) comes to 2 s^2 / N, the Cramér-Rao bound.
/// Errors and source as above.
[[nodiscard]] std::optional<SineFit> fit_sine(std::span<const double> samples, SampleRate fs,
                                              Hertz guess);

}  // namespace sinewright
