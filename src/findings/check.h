// What findings must keep so that every outlet may rely on it; used by the tests of all
// measurements.
#pragma once

#include <string>
#include <vector>

#include "findings/findings.h"

namespace sinewright {

/// One line for each breach of what findings.h promises, empty when sound: a reading that is not
/// unique by key, channel and unit; a number that is not finite; an uncertainty that is negative or
/// has no coverage factor; an interval upside down; an empty key, code or measurement.
[[nodiscard]] std::vector<std::string> problems_of(const Findings& findings);

}  // namespace sinewright
