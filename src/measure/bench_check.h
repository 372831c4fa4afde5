// The day's first act: does the bench still agree with its profile?
#pragma once

#include <optional>

#include "bench/calibration.h"
#include "measure/calibrate.h"
#include "measure/session.h"
#include "measure/stream_check.h"

namespace sinewright {

struct BenchCheckSettings {
  CalibrationTone tone;                ///< where the range is not calibrated; else as it was then
  std::optional<MeterAccuracy> meter;  ///< none: the meter is not asked for
  bool checks_stream = true;
  StreamCheckSettings stream;
  double stale_days = 365;  ///< a calibration older than this is stale; common practice, no source
};

/// Plays a tone into the divider's top and holds what comes back against what the same drive gave
/// when the range was calibrated (through a unit: against the output as calibrated), and against
/// the meter where it is asked for. A meter of the same accuracy is taken for the same one: its
/// error counts once. Then check_stream().
///
/// Findings "bench_check": readings "level" V with uncertainty, "expected" V, "difference" dB with
/// uncertainty, "meter" V, "en" (difference over the uncertainties of both together, ISO 13528:
/// above 1 they disagree); cautions "bench_disagrees", "stale_profile", "foreign_profile" (another
/// device than the calibrated one), "not_calibrated", and those of check_stream(). Needs a chain.
/// Silent on return. Throws Error (kRefused) when the operator does not wire it, nothing comes
/// back, the tone is cut, or the meter reads 0.
[[nodiscard]] Findings check_bench(Session& session, const BenchCheckSettings& settings,
                                   Operator& person, Progress& progress);

/// True when nothing measured on this bench should be trusted before the cause is found.
[[nodiscard]] bool refutes_bench(const Findings& findings);

}  // namespace sinewright
