// Curves as a chart of characters, for the terminal.
#pragma once

#include <span>
#include <string>

#include "findings/findings.h"
#include "report/text_table.h"

namespace sinewright {

/// One chart of curves that share their axes: title, chart, legend. A point is the letter of its
/// channel (L, R, 1 ...), '#' where channels coincide, with a dotted line between points; lines of
/// a spectrum stand on the axis. Colour, where the style has it, comes in addition.
///
/// `curves`: one key, the channels of it. Empty when no point can be drawn.
[[nodiscard]] std::string render_chart(std::span<const Curve> curves, const TextStyle& style);

/// A chart for each key among the curves of `findings`, one below the other.
[[nodiscard]] std::string render_charts(const Findings& findings, const TextStyle& style);

}  // namespace sinewright
