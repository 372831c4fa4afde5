// Recursive filters for the notch path: elliptic low-pass, Butterworth high-pass, notch.
#pragma once

#include <vector>

#include "dsp/biquad.h"
#include "dsp/units.h"

namespace sinewright {

/// Elliptic low-pass of `order`, through the bilinear transform.
///
/// `ripple_db`: greatest loss up to `edge` (which has exactly that loss); for even orders 0 Hz has
/// it too. `stop_db`: least loss in the stop band, which begins as close above `edge` as the order
/// allows. Sections come with the sharpest resonance last.
/// Throws std::invalid_argument for order outside 1 to 20, ripple_db not positive, stop_db not
/// above ripple_db, or an edge outside (0, fs/2). Source: S. J. Orfanidis, "Lecture Notes on
/// Elliptic Filter Design", Rutgers University, 2006 (Landen transformations; from memory); checked
/// against scipy.signal.ellip.
[[nodiscard]] std::vector<Biquad> elliptic_low_pass(int order, double ripple_db, double stop_db,
                                                    Hertz edge, SampleRate fs);

/// Butterworth high-pass, -3.01 dB at `edge`, with exact zeros at 0 Hz: a constant is removed
/// whole. Throws std::invalid_argument for order not 2, 4, ... 20, or an edge outside (0, fs/2).
[[nodiscard]] std::vector<Biquad> butterworth_high_pass(int order, Hertz edge, SampleRate fs);

/// Notch of gain 1 at 0 Hz and at fs/2, with zeros exactly at `center`: (s^2 + 1) / (s^2 + s/Q + 1)
/// through the bilinear transform. Far below fs/2 its width at -3 dB is center / Q.
/// Throws std::invalid_argument for a center outside (0, fs/2) or Q not positive.
[[nodiscard]] Biquad notch(Hertz center, double q, SampleRate fs);

}  // namespace sinewright
