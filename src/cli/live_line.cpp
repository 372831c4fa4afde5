#include "cli/live_line.h"

#include <fmt/format.h>

#include <algorithm>
#include <vector>

#include "report/labels.h"
#include "report/numbers.h"
#include "report/text_table.h"

namespace sinewright {
namespace {

// Digits come and go while the value moves; a fixed width keeps the columns under the eye.
constexpr int kValueWidth = 9;
constexpr int kColumnsForVolts = 112;

std::vector<std::string> channels_of(const Findings& findings) {
  std::vector<std::string> channels;
  for (const Reading& reading : findings.readings) {
    if (reading.channel.empty() || reading.channel == "pair") continue;
    if (std::find(channels.begin(), channels.end(), reading.channel) == channels.end()) {
      channels.push_back(reading.channel);
    }
  }
  return channels;
}

std::string cell(const Findings& findings, const std::string& key, const std::string& channel,
                 Unit unit) {
  const Reading* reading = find_reading(findings, key, channel, unit);
  if (reading == nullptr || !reading->value) return {};
  // Live figures stand without their uncertainty: the line is for the hand, results hold the rest.
  const std::string text = format_value(*reading->value, unit);
  const int room = kValueWidth - display_width(text);
  return std::string(static_cast<std::size_t>(std::max(0, room)), ' ') + text;
}

std::string channel_part(const Findings& findings, const std::string& channel, bool has_volts) {
  std::string part = channel_mark(channel);
  const std::string watts = cell(findings, "level", channel, Unit::kWatt);
  const std::string key =
      find_reading(findings, "level", channel, Unit::kDbfs) != nullptr ? "level" : "noise";
  if (!watts.empty()) part += " " + watts;
  std::string level = cell(findings, key, channel, Unit::kVolt);
  if (level.empty()) level = cell(findings, key, channel, Unit::kDbfs);
  if (watts.empty() || has_volts) part += " " + level;
  const std::string thd_n = cell(findings, "thd_n", channel, Unit::kPercent);
  if (!thd_n.empty()) part += "  THD+N " + thd_n;
  return part;
}

}  // namespace

std::string live_line(const Findings& findings, int columns) {
  std::string line;
  const std::vector<std::string> channels = channels_of(findings);
  for (const std::string& channel : channels) {
    line += channel_part(findings, channel, columns >= kColumnsForVolts) + "   ";
  }
  const Reading* balance = find_reading(findings, "balance", "pair", Unit::kDb);
  if (balance != nullptr && balance->value)
    line += fmt::format("balance {:+.2f} dB   ", *balance->value);
  for (const std::string& channel : channels) {
    const std::string frequency = cell(findings, "frequency", channel, Unit::kHertz);
    if (frequency.empty()) continue;
    line += frequency + "   ";
    break;
  }
  if (findings.measurement != "tone") line += measurement_label(findings.measurement) + "   ";
  if (findings.readings.empty() && !findings.cautions.empty()) {
    return line + printable(findings.cautions.front().text);
  }
  for (const Caution& caution : findings.cautions) {
    const std::string mark = "! " + caution.code + "  ";
    if (line.find(mark) == std::string::npos) line += mark;  // once for both channels
  }
  const std::size_t end = line.find_last_not_of(' ');
  return end == std::string::npos ? std::string() : line.substr(0, end + 1);
}

}  // namespace sinewright
