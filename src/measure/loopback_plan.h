// Which tones a loopback plays, and how long each takes to settle. Internal to src/measure.
#pragma once

#include <vector>

#include "measure/calibrate.h"

namespace sinewright {

/// Those of `settings` up to 0.45 of the rate. Where it names none: 20 Hz to 60 kHz as far as the
/// rate allows, and 0.45 of it, the highest that a response goes to.
[[nodiscard]] std::vector<double> loopback_frequencies_hz(const LoopbackSettings& settings,
                                                          SampleRate fs);

/// Those for the loop through the divider whose second harmonic is still read.
[[nodiscard]] std::vector<double> divider_frequencies_hz(const LoopbackSettings& settings,
                                                         SampleRate fs);

/// Coupling capacitors swing for a tenth of a second or so after a low tone changes.
[[nodiscard]] double loopback_settling_s(double frequency_hz);

}  // namespace sinewright
