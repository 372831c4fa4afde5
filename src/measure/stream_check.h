// Whether what is played comes back as it was, or whether the system works on it on the way.
#pragma once

#include "measure/session.h"

namespace sinewright {

struct StreamCheckSettings {
  double frequency_hz = 997;
  double level_dbfs = -20;  ///< reference of linearity, and of the steady stretch
  double steady_s = 10;
};

/// Code of the caution for a stream that is not passed on unchanged; its text says in what.
inline constexpr const char* kStreamAltered = "stream_altered";

/// Plays each channel alone (swapped, or one signal in both), -1, -20 and -60 dBFS (linearity),
/// 0.45 of the rate (resampling, low-pass), and one tone for `steady_s` (automatic gain, noise
/// suppression, lost samples, another clock). Appends readings "linearity_loud", "linearity_faint",
/// "top_of_band", "constancy", "clock_difference", "resolution_bits", and cautions
/// "stream_altered", "mono_input", "channels_swapped", "coarse_samples", "clocks_differ". Output
/// wired to the input, directly or through the divider; levels are relative, so no chain is needed.
/// Silent on return. Limits, common practice, no source: linearity and constancy 0.1 dB and 0.05 dB
/// beside six times the noise, top of the band 1 dB, clock 0.5 ppm, a jump of a tenth of a sample.
/// Throws Error (kRefused) when nothing comes back; Error (kDevice) as Session does.
void check_stream(Session& session, const StreamCheckSettings& settings, Progress& progress,
                  Findings& findings);

}  // namespace sinewright
