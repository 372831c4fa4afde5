// Curves as SVG: to stand inside a page or as a file of its own; no script, no style sheet.
#pragma once

#include <span>
#include <string>

#include "findings/findings.h"

namespace sinewright {

/// One chart of curves that share their axes, as an <svg> element with a viewBox of 800 by 420.
/// Each curve has its own colour (Okabe and Ito), dash, mark and label; lines of a spectrum stand
/// on the axis. Whiskers show intervals and uncertainties; a hollow mark, and a line below, a point
/// limited by something other than the unit.
///
/// `y_offset`: place within an outer <svg>; 0 for one that stands alone.
[[nodiscard]] std::string svg_chart(std::span<const Curve> curves, const std::string& title,
                                    double y_offset = 0);

/// All curves of `findings` as a document: one chart below the other. Curves on the same x axis
/// whose y has the same quantity and unit share a chart (THD and THD+N). Empty when there is no
/// point to draw.
[[nodiscard]] std::string svg_document(std::span<const Findings> findings);

/// `text` with the characters that XML gives a meaning to replaced, and control characters by '?'.
[[nodiscard]] std::string xml_escaped(const std::string& text);

}  // namespace sinewright
