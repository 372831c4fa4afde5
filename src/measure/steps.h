// Looking figures up in the tone findings that a stepped measurement is made of.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "findings/findings.h"

namespace sinewright {

/// The value of a reading, when it exists.
[[nodiscard]] std::optional<double> value_of(const Findings& findings, const std::string& key,
                                             const std::string& channel, Unit unit);

/// The channels in which any of `steps` has a fundamental, in order of appearance.
[[nodiscard]] std::vector<std::string> channels_with_tone(std::span<const Findings> steps);

/// y at `x` on the straight line through two points.
[[nodiscard]] double interpolate(double x0, double y0, double x1, double y1, double x);

/// What a hand on the unit's volume is told, so that `watts` are reached at a drive between -20 and
/// -3 dBFS. `needed_dbfs`: the drive that would reach them now; `at`: where that was read. Begins
/// with "turn the volume up", "turn the volume down" or "enough".
[[nodiscard]] std::string volume_advice(double watts, double needed_dbfs, const std::string& at);

}  // namespace sinewright
