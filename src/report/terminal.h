// Results as text for people: on the terminal, and in .txt files.
#pragma once

#include <string>
#include <vector>

#include "findings/findings.h"
#include "report/text_table.h"

namespace sinewright {

/// All of one run: heading, conditions, readings with left and right side by side, harmonics, a
/// chart and a table for the curves, limits and cautions in words.
[[nodiscard]] std::string render_findings(const Findings& findings, const TextStyle& style);

/// The parts of it, each empty where there is nothing to show.
[[nodiscard]] std::string render_heading(const Findings& findings, const TextStyle& style);
[[nodiscard]] std::string render_readings(const Findings& findings, const TextStyle& style);
[[nodiscard]] std::string render_harmonics(const Findings& findings, const TextStyle& style);
[[nodiscard]] std::string render_curve_tables(const Findings& findings, const TextStyle& style);
[[nodiscard]] std::string render_cautions(const std::vector<Caution>& cautions,
                                          const TextStyle& style);

/// One recording with all its steady readings, or with the error that it gave.
[[nodiscard]] std::string render_recording(const RecordingFindings& recording,
                                           const TextStyle& style);

}  // namespace sinewright
