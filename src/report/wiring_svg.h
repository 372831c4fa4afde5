// The wiring of a designed divider as a drawing: both channels, or both terminals of a bridged
// output, with values.
#pragma once

#include <string>

#include "bench/divider.h"

namespace sinewright {

/// An SVG document for screen and paper; no script. Left is white, round and solid, right red,
/// square and dashed.
[[nodiscard]] std::string wiring_svg(const DividerDesign& design);

}  // namespace sinewright
