// What the tests of analysis share: recordings written for the purpose, and what is found in them.
#pragma once

#include <doctest/doctest.h>

#include <string>
#include <vector>

#include "device/recording.h"
#include "findings/check.h"
#include "measure/analyze.h"

namespace sinewright {

inline void write_recording(const std::string& path, std::span<const double> frames, double rate_hz,
                            int channels = 1, SampleFormat format = SampleFormat::kInt24) {
  RecordingWriter writer(path, {rate_hz}, channels, format, 5);
  writer.write(frames);
  writer.finish();
}

/// Analysed, and found sound in all that findings promise.
inline RecordingFindings analyzed(const std::string& path, const AnalyzeSettings& settings = {}) {
  RecordingFindings result = analyze_recording(path, settings);
  for (const auto* list : {&result.findings, &result.summary}) {
    for (const Findings& findings : *list) {
      const std::vector<std::string> problems = problems_of(findings);
      CAPTURE(findings.measurement);
      if (!problems.empty()) FAIL_CHECK(problems.front());
    }
  }
  return result;
}

inline std::vector<std::string> kinds_of(const RecordingFindings& result) {
  std::vector<std::string> kinds;
  for (const Findings& findings : result.findings) kinds.push_back(findings.measurement);
  return kinds;
}

using Kinds = std::vector<std::string>;

}  // namespace sinewright
