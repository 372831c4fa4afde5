// Batch analysis of recordings.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "device/stream.h"
#include "dsp/band.h"
#include "findings/findings.h"
#include "measure/measurement.h"

namespace sinewright {

/// What the plateaus of a recording are taken for.
enum class TakenAs { kAsFound, kTone, kNoise };

struct AnalyzeSettings {
  Band band;
  std::optional<Chain> chain;  ///< for volts and watts
  TakenAs taken_as = TakenAs::kAsFound;
  std::vector<double> thresholds_percent = {0.1, 1};
  std::vector<Condition> conditions;
  int jobs = 0;  ///< files at the same time; 0: one for each core
};

/// The recordings that `paths` name: files as they are, folders searched through for names with a
/// known extension, sorted. Throws Error (kInput) for a path that is not there.
[[nodiscard]] std::vector<std::string> find_recordings(const std::vector<std::string>& paths);

class PlanCache;

/// Analyses one recording in constant memory; what is wrong with it stands in `error`, never
/// thrown. `plans`: made for the band of `settings`; spares making tables anew for each recording.
[[nodiscard]] RecordingFindings analyze_recording(const std::string& path,
                                                  const AnalyzeSettings& settings,
                                                  PlanCache& plans);
[[nodiscard]] RecordingFindings analyze_recording(const std::string& path,
                                                  const AnalyzeSettings& settings);

/// The same of any source that ends (`bits`: of integer samples).
void analyze_source(Source& source, std::optional<int> bits, const AnalyzeSettings& settings,
                    PlanCache& plans, RecordingFindings& result);

/// Analyses all, several at a time, and hands each to `show` in the order of `paths`. Stops early,
/// after the recordings under way, when cancelled.
void analyze_all(const std::vector<std::string>& paths, const AnalyzeSettings& settings,
                 Progress& progress, const std::function<void(const RecordingFindings&)>& show);

}  // namespace sinewright
