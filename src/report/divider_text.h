// A divider's design for people and programs: table, drawing in letters, cautions, a piece of
// profile; or JSON.
#pragma once

#include <string>

#include "bench/divider.h"
#include "report/text_table.h"

namespace sinewright {

/// "4.7 kΩ", "300 Ω"
[[nodiscard]] std::string ohm_text(double ohm);

/// "2 × 4.7 kΩ"; without the count where it is one.
[[nodiscard]] std::string top_text(const ResistorPair& pair);

/// Everything: at most 80 columns, whatever the style's width.
[[nodiscard]] std::string divider_text(const DividerDesign& design, const TextStyle& style);

/// The ranges as they stand in a bench profile, nominal, with a comment each.
[[nodiscard]] std::string divider_profile(const DividerDesign& design);

/// What to mind, most dangerous first; each one sentence or two.
[[nodiscard]] std::vector<std::string> divider_cautions(const DividerDesign& design);

/// One object: "request", "ranges", "pads", "cautions"; keys carry their units.
[[nodiscard]] std::string divider_json(const DividerDesign& design);

}  // namespace sinewright
