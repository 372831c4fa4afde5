// Distortion over output, and the output at which it passes a threshold.
#pragma once

#include <span>
#include <string>

#include "findings/findings.h"

namespace sinewright {

/// The reading `key` of each step over its output (`output_channel`, W where `has_watts`, dBFS
/// otherwise), ascending.
[[nodiscard]] Curve curve_over_output(std::span<const Findings> steps, const std::string& key,
                                      const std::string& channel, const std::string& output_channel,
                                      Unit unit, const Axis& y, bool has_watts);

/// Appends "distortion_limited_output_1_percent" and so on: the output at which THD+N rises through
/// each threshold for the last time; the logarithms of both are a straight line between steps. Its
/// uncertainty is that of the output, and that of THD+N over the line's slope.
void append_distortion_limits(Findings& findings, std::span<const Findings> steps,
                              const std::string& channel, bool has_watts,
                              std::span<const double> thresholds_percent);

}  // namespace sinewright
