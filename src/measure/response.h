// Response: a tone stepped through the band; level, phase between the channels and THD+N at each.
#pragma once

#include <span>
#include <vector>

#include "measure/session.h"

namespace sinewright {

struct ResponseSettings {
  double from_hz = 20;
  double to_hz = 20000;
  int steps_per_octave = 3;  ///< ISO 266: 1, 2, 3, 6 or 12
  double level_dbfs = -20;   ///< of the played tone
  double flat_from_hz = 20;  ///< flatness is stated over this range
  double flat_to_hz = 20000;
  double least_step_s = 0.1;  ///< each step is analysed for this long, and five periods
  /// Repeatability and settling (k = 2) that a step lasts longer for, up to eight times.
  double level_uncertainty_db = 0.02;
  /// Watts in the load: nothing predicted to give more is played, and a tenth more cuts. With a
  /// chain only.
  double limit_w = 1;
  bool has_thd = true;  ///< false: steps only as long as the level needs
};

/// The steps: base-ten frequencies of ISO 266 from `from_hz` to `to_hz`, inclusive.
/// Throws Error (kUsage) when the range is empty or the steps are not of ISO 266.
[[nodiscard]] std::vector<double> response_frequencies(const ResponseSettings& settings);

/// Runs the sweep, ascending and phase-continuous. Finished points are kept, and a caution says why
/// it ended: cancelled, over the limit, a channel that vanished, a device that failed. Before the
/// first point these are Error (kRefused), Error (kDevice), or Stopped.
[[nodiscard]] Findings run_response(Session& session, const ResponseSettings& settings,
                                    Progress& progress);

/// The curves and readings over finished tone findings in ascending frequency: "response" (dB re
/// 1 kHz, the sound card's own taken out where it is known), "phase", "thd_n", "thd"; -0.5, -1 and
/// -3 dB points; flatness. Also for recordings.
void append_response(Findings& findings, std::span<const Findings> steps,
                     const ResponseSettings& settings, const ReadingContext& context);

}  // namespace sinewright
