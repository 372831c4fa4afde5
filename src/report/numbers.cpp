#include "report/numbers.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace sinewright {
namespace {

constexpr int kMostDecimals = 9;

// Decimals that show `digits` significant digits of `value`.
int decimals_for(double value, int digits) {
  if (value == 0 || !std::isfinite(value)) return digits - 1;
  const int exponent = static_cast<int>(std::floor(std::log10(std::abs(value))));
  return std::clamp(digits - 1 - exponent, 0, kMostDecimals);
}

std::string fixed(double value, int decimals) {
  std::string text = fmt::format("{:.{}f}", value, decimals);
  // "-0.00" says nothing that "0.00" does not.
  if (text.front() == '-' && text.find_first_not_of("-0.") == std::string::npos) text.erase(0, 1);
  return text;
}

struct Scale {
  double factor;
  const char* prefix;
};

Scale scale_of(double value, Unit unit) {
  if (unit != Unit::kVolt && unit != Unit::kWatt) return {1, ""};
  const double size = std::abs(value);
  if (size == 0 || size >= 0.1) return {1, ""};
  if (size >= 1e-4) return {1e3, "m"};
  if (size >= 1e-7) return {1e6, "µ"};
  return {1e9, "n"};
}

std::string number_text(double value, Unit unit) {
  switch (unit) {
    case Unit::kDbfs:
    case Unit::kDbv:
    case Unit::kDbu:
    case Unit::kDb:
    case Unit::kDbc:
    case Unit::kDegree:
      return fixed(value, 2);
    case Unit::kVolt:
    case Unit::kWatt:
    case Unit::kPercent:
    case Unit::kFullScale:
    case Unit::kRatio:
      return significant(value, 4);
    case Unit::kHertz:
      return significant(value, 6);
    case Unit::kDbPerSecond:
      return fixed(value, 4);
    case Unit::kPpmPerSecond:
    case Unit::kPpm:
    case Unit::kSecond:
      return fixed(value, 3);
    case Unit::kCount:
      return fixed(value, 0);
  }
  return significant(value, 4);
}

std::string with_unit(const std::string& number, const char* prefix, Unit unit) {
  const std::string name = unit_text(unit);
  return name.empty() ? number : fmt::format("{} {}{}", number, prefix, name);
}

}  // namespace

std::string significant(double value, int digits) {
  const double size = std::abs(value);
  if (size != 0 && (size < 1e-4 || size >= 1e7)) return fmt::format("{:.{}e}", value, digits - 1);
  return fixed(value, decimals_for(value, digits));
}

std::string short_number(double value) { return fmt::format("{:.6g}", value); }

std::string unit_text(Unit unit) {
  switch (unit) {
    case Unit::kDegree:
      return "°";
    case Unit::kRatio:
    case Unit::kCount:
      return "";
    default:
      return to_string(unit);
  }
}

std::string format_value(double value, Unit unit) {
  if (!std::isfinite(value)) return "-";
  const Scale scale = scale_of(value, unit);
  return with_unit(number_text(value * scale.factor, unit), scale.prefix, unit);
}

std::string format_in_unit(double value, const std::string& unit) {
  if (!std::isfinite(value)) return "-";
  if (unit == "Hz") return significant(value, 5);
  const bool is_level = unit.rfind("dB", 0) == 0 && unit != to_string(Unit::kDbPerSecond);
  return is_level || unit == "deg" ? fixed(value, 2) : significant(value, 4);
}

namespace {

// A value and its uncertainty, two digits of that; no finer than anybody reads, though a steady
// tone may repeat to a millionth of a decibel: the uncertainty is rounded up then.
struct Sure {
  std::string value;
  std::string uncertainty;
};

Sure sure_text(double value, double uncertainty, bool is_on_scale) {
  const int finest = is_on_scale ? 3 : decimals_for(value, 6);
  const int decimals = std::min(finest, decimals_for(uncertainty, 2));
  const double place = std::pow(10.0, decimals);
  if (uncertainty * place < 9.5) uncertainty = std::ceil(uncertainty * place - 0.05) / place;
  return {fixed(value, decimals), fixed(std::max(uncertainty, 1 / place), decimals)};
}

// Digits that the width of an interval leaves meaning to: two of the width.
std::string interval_end(double value, double width, Unit unit) {
  return width > 0 ? fixed(value, decimals_for(width, 2)) : number_text(value, unit);
}

bool is_nothing(double end, bool is_db) { return is_db ? end <= kNothing_db : end <= 0; }

bool is_in_db(Unit unit) {
  return unit == Unit::kDbfs || unit == Unit::kDbv || unit == Unit::kDbu || unit == Unit::kDb ||
         unit == Unit::kDbc;
}

std::string interval_text(const Interval& interval, Unit unit) {
  const Scale scale = scale_of(interval.high, unit);
  const double low = interval.low * scale.factor;
  const double high = interval.high * scale.factor;
  std::string text;
  if (is_nothing(interval.low, is_in_db(unit))) {
    text = "below " + interval_end(high, is_in_db(unit) ? 1 : high, unit);
  } else if (is_in_db(unit) && interval.high >= -kNothing_db) {
    text = "above " + interval_end(low, 1, unit);
  } else {
    text = interval_end(low, high - low, unit) + " to " + interval_end(high, high - low, unit);
  }
  return with_unit(text, scale.prefix, unit);
}

}  // namespace

std::string format_reading(const Reading& reading) {
  const bool has_uncertainty = reading.value && std::isfinite(*reading.value) &&
                               reading.uncertainty && *reading.uncertainty > 0;
  // Where a single value makes sense it has an uncertainty, and the interval is for programs.
  if (reading.interval && !has_uncertainty) return interval_text(*reading.interval, reading.unit);
  if (!reading.value || !std::isfinite(*reading.value)) return "-";
  if (!has_uncertainty) return format_value(*reading.value, reading.unit);
  const Scale scale = scale_of(*reading.value, reading.unit);
  const bool is_on_scale = is_in_db(reading.unit) || reading.unit == Unit::kDegree;
  const Sure sure =
      sure_text(*reading.value * scale.factor, *reading.uncertainty * scale.factor, is_on_scale);
  return fmt::format("{} ± {}", with_unit(sure.value, scale.prefix, reading.unit),
                     sure.uncertainty);
}

std::string format_point(const CurvePoint& point, const std::string& unit) {
  if (point.interval && !(point.y && point.uncertainty)) {
    const double width = point.interval->high - point.interval->low;
    const auto end = [&](double value) {
      return width > 0 ? fixed(value, decimals_for(width, 2)) : format_in_unit(value, unit);
    };
    const bool is_db = unit.rfind("dB", 0) == 0;
    if (is_nothing(point.interval->low, is_db)) return "below " + end(point.interval->high);
    return end(point.interval->low) + " to " + end(point.interval->high);
  }
  if (!point.y || !std::isfinite(*point.y)) return "-";
  if (!point.uncertainty || !(*point.uncertainty > 0)) return format_in_unit(*point.y, unit);
  const Sure sure =
      sure_text(*point.y, *point.uncertainty, unit.rfind("dB", 0) == 0 || unit == "deg");
  return fmt::format("{} ± {}", sure.value, sure.uncertainty);
}

}  // namespace sinewright
