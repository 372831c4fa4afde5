// One reading on one line, for the hand on the volume control.
#pragma once

#include <string>

#include "findings/findings.h"

namespace sinewright {

/// "L 1.002 W 2.831 V THD+N 0.0361 %   R 0.9712 W ...   balance +0.13 dB   997.00 Hz", or what kept
/// the reading from being taken. Where `columns` are too few for all, volts beside watts go first.
[[nodiscard]] std::string live_line(const Findings& findings, int columns);

}  // namespace sinewright
