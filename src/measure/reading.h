// One reading of whatever is there: tone, two tones, noise or silence, both channels.
#pragma once

#include <functional>

#include "measure/session.h"

namespace sinewright {

struct ReadingSettings {
  double duration_s = 0.5;  ///< of each reading, 0.1 to 60
  int count = 1;            ///< how many; 0: until cancelled
};

/// Takes readings one after the other and hands each to `show`. A reading of a signal that did not
/// hold still comes with a caution instead of figures.
/// What the session plays, if anything, was started, and limited, before.
/// Throws Error (kRefused) when the drive was cut, Error (kUsage) for a duration out of bounds,
/// Error (kDevice) when the device fails.
void run_readings(Session& session, const ReadingSettings& settings, Progress& progress,
                  const std::function<void(const Findings&)>& show);

}  // namespace sinewright
