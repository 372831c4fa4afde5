#include "findings/findings.h"

#include <algorithm>

namespace sinewright {

const char* to_string(Unit unit) {
  switch (unit) {
    case Unit::kDbfs:
      return "dBFS";
    case Unit::kVolt:
      return "V";
    case Unit::kDbv:
      return "dBV";
    case Unit::kDbu:
      return "dBu";
    case Unit::kWatt:
      return "W";
    case Unit::kPercent:
      return "%";
    case Unit::kDb:
      return "dB";
    case Unit::kDbc:
      return "dBc";
    case Unit::kHertz:
      return "Hz";
    case Unit::kDegree:
      return "deg";
    case Unit::kRatio:
      return "1";
    case Unit::kFullScale:
      return "FS";
    case Unit::kDbPerSecond:
      return "dB/s";
    case Unit::kPpmPerSecond:
      return "ppm/s";
    case Unit::kPpm:
      return "ppm";
    case Unit::kSecond:
      return "s";
    case Unit::kCount:
      return "count";
  }
  return "";
}

const Reading* find_reading(const Findings& findings, const std::string& key,
                            const std::string& channel, Unit unit) {
  const auto found =
      std::find_if(findings.readings.begin(), findings.readings.end(), [&](const Reading& reading) {
        return reading.key == key && reading.channel == channel && reading.unit == unit;
      });
  return found == findings.readings.end() ? nullptr : &*found;
}

}  // namespace sinewright
