// Noise weightings: A (IEC 61672-1) and ITU-R BS.468-4, as exact functions of frequency.
#pragma once

#include <complex>

#include "dsp/units.h"

namespace sinewright {

enum class Weighting {
  kNone,
  kA,    ///< IEC 61672-1, 0 dB at 1 kHz
  k468,  ///< ITU-R BS.468-4, 0 dB at 1 kHz
};

/// Amplitude gain at `frequency` (0 at 0 Hz; the sign of the frequency does not matter).
///
/// Closed form of IEC 61672-1 Annex E with unrounded poles (from fL = 10^1.5, fH = 10^3.9,
/// fA = 10^2.45 Hz); the standard's own table is this, rounded to 0.1 dB.
[[nodiscard]] double a_weighting_gain(Hertz frequency);
[[nodiscard]] double a_weighting_db(Hertz frequency);

/// The network of ITU-R BS.468-4 figure 1a: one zero at 0 and six poles, scaled to 0 dB at 1 kHz.
/// Poles are the roots of a published polynomial; within 0.0502 dB of the Recommendation's Table 1,
/// which is printed to 0.1 dB.
[[nodiscard]] std::complex<double> itu_r_468_response(Hertz frequency);
[[nodiscard]] double itu_r_468_gain(Hertz frequency);
[[nodiscard]] double itu_r_468_db(Hertz frequency);

/// What is added to a reading weighted with itu_r_468_gain() to give the CCIR-RMS noise of AES17:
/// the same network with 0 dB at 2 kHz, -5.63 dB. Its detector is RMS: not comparable to a
/// quasi-peak reading.
[[nodiscard]] double ccir_rms_offset_db();

/// Gain of any of them; 1 for kNone.
[[nodiscard]] double weighting_gain(Weighting weighting, Hertz frequency);

}  // namespace sinewright
