// One reading on one line, for the hand on the volume control.
#pragma once

#include <string>

#include "findings/findings.h"

namespace sinewright {

/// "L 1.002 W  2.831 V  THD+N 0.0361 %    R 0.9712 W ...    997.00 Hz    balance +0.13 dB", or what
/// kept the reading from being taken.
[[nodiscard]] std::string live_line(const Findings& findings);

}  // namespace sinewright
