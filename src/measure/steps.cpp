#include "measure/steps.h"

#include <fmt/format.h>

#include <algorithm>

namespace sinewright {

std::optional<double> value_of(const Findings& findings, const std::string& key,
                               const std::string& channel, Unit unit) {
  const Reading* reading = find_reading(findings, key, channel, unit);
  return reading == nullptr ? std::nullopt : reading->value;
}

std::vector<std::string> channels_with_tone(std::span<const Findings> steps) {
  std::vector<std::string> channels;
  for (const Findings& step : steps) {
    for (const Reading& reading : step.readings) {
      if (reading.key != "fundamental" || reading.unit != Unit::kDbfs || !reading.value) continue;
      if (std::find(channels.begin(), channels.end(), reading.channel) == channels.end()) {
        channels.push_back(reading.channel);
      }
    }
  }
  return channels;
}

double interpolate(double x0, double y0, double x1, double y1, double x) {
  return x1 == x0 ? y0 : y0 + (y1 - y0) * (x - x0) / (x1 - x0);
}

std::string volume_advice(double watts, double needed_dbfs, const std::string& at) {
  constexpr double kLeast_dbfs = -20;
  constexpr double kMost_dbfs = -3;
  if (needed_dbfs > kMost_dbfs) {
    return fmt::format("turn the volume up by {:.1f} dB ({})", needed_dbfs - kMost_dbfs, at);
  }
  if (needed_dbfs < kLeast_dbfs) {
    return fmt::format("turn the volume down by {:.1f} dB ({})", kLeast_dbfs - needed_dbfs, at);
  }
  return fmt::format("enough: {:.3g} W will be reached at {:.1f} dBFS ({})", watts, needed_dbfs,
                     at);
}

}  // namespace sinewright
