// The words that people read for the keys that programs read. One table; unknown keys stay as they
// are, so a new measurement shows before anyone has named it.
#pragma once

#include <string>

#include "findings/findings.h"

namespace sinewright {

/// "thd_n" -> "THD+N"; also for curves. An unknown key: itself.
[[nodiscard]] std::string reading_label(const std::string& key);

/// "two_tones" -> "Two tones".
[[nodiscard]] std::string measurement_label(const std::string& measurement);

/// The measurement's label, with the state of the unit where that is among the conditions:
/// "Noise (input shorted)".
[[nodiscard]] std::string findings_title(const Findings& findings);

/// "left" -> "Left", "3" -> "Channel 3", "pair" -> "Left against right".
[[nodiscard]] std::string channel_label(const std::string& channel);

/// The mark of a channel in a column or chart: "L", "R", "3"; "L/R" for the pair.
[[nodiscard]] std::string channel_mark(const std::string& channel);

/// "sound_card" -> "limited by the sound card".
[[nodiscard]] std::string limit_label(const std::string& limited_by);

/// "band_hz" = [20, 20000] -> "band 20 Hz to 20 kHz". Empty for one not stated.
[[nodiscard]] std::string condition_text(const Condition& condition);

/// True for curves whose points are lines of a spectrum, with nothing between them.
[[nodiscard]] bool has_lines(const std::string& curve_key);

/// `text` with control characters replaced by '?': a file name must not drive the terminal.
[[nodiscard]] std::string printable(const std::string& text);

}  // namespace sinewright
