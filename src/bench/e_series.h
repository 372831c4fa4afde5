// Preferred values of resistors: the series that shops keep.
#pragma once

#include <span>
#include <vector>

namespace sinewright {

enum class ESeries { kE12, kE24, kE96 };

/// "E24"
[[nodiscard]] const char* name_of(ESeries series);

/// Usual tolerance of the parts sold in a series: 10, 5 and 1 %. Common practice, no source; the
/// values say nothing of it (E24 values are sold with 1 % too).
[[nodiscard]] double usual_tolerance_percent(ESeries series);

/// One decade in whole hundredths, ascending: 100, 110, 120 ... for E24.
///
/// Source: IEC 60063, as reproduced in public tables. E24 is kept as printed: eight of its values
/// (2.7 to 4.7 and 8.2) differ from the rounded 10^(n/24). E24 is no part of E96.
[[nodiscard]] std::span<const int> decade_of(ESeries series);

/// All values from `low_ohm` to `high_ohm`, both ends inclusive, ascending; each the double nearest
/// to the printed value, so that 4.7 kohm compares equal to 4700.
/// Throws std::invalid_argument unless 0.01 <= low_ohm <= high_ohm <= 1e9.
[[nodiscard]] std::vector<double> values_between(ESeries series, double low_ohm, double high_ohm);

}  // namespace sinewright
