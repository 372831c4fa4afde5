// Numbers for people: the digits that mean something, and no more.
#pragma once

#include <string>

#include "findings/findings.h"

namespace sinewright {

/// `value` with so many significant digits, never in exponent form between 0.0001 and 10 million.
[[nodiscard]] std::string significant(double value, int digits);

/// Up to six significant digits, trailing zeros dropped: 20, 0.5, 997.
[[nodiscard]] std::string short_number(double value);

/// A value with its unit: levels to 0.01 dB, percentages and volts to four significant digits,
/// frequencies to six; small volts and watts in m and µ. "-" for one that is not finite.
[[nodiscard]] std::string format_value(double value, Unit unit);

/// What stands in a table's cell: "-78.31 dB ± 0.20"; without an uncertainty "-110 to -96 dB" for
/// an interval, "below -96 dB" for one that begins at nothing; "-" for a value that does not exist.
/// An uncertainty is given two significant digits, and the value as many decimals as that (JCGM
/// 100, 7.2.6), an interval two digits of its width; limits and notes are the caller's to print.
[[nodiscard]] std::string format_reading(const Reading& reading);

/// The same of a point of a curve, whose unit stands in the heading.
[[nodiscard]] std::string format_point(const CurvePoint& point, const std::string& unit);

/// A number of a curve, whose unit is text and stands in the heading: digits as format_value(), no
/// prefix. "-" for one that is not finite.
[[nodiscard]] std::string format_in_unit(double value, const std::string& unit);

/// As printed beside a number: "°" for "deg", nothing for ratios and counts.
[[nodiscard]] std::string unit_text(Unit unit);

}  // namespace sinewright
