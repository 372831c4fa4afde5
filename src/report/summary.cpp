#include "report/summary.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <initializer_list>
#include <sstream>

#include "report/labels.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

constexpr std::size_t kRowsPerRecording = 12;
// Columns of a row.
enum Column { kName, kFrom, kSignal, kChannels, kFrequency, kColumns = 10 };

constexpr int kWidestName = 32;
constexpr int kNarrowestName = 12;

// The end of a name tells recordings of a series apart, so the middle is what goes.
std::string shortened(const std::string& name, int width) {
  const bool is_plain = name.size() == static_cast<std::size_t>(display_width(name));
  if (display_width(name) <= width || !is_plain) return name;
  const auto tail = static_cast<std::size_t>(width) / 2;
  const std::size_t head = static_cast<std::size_t>(width) - tail - 2;
  return name.substr(0, head) + ".." + name.substr(name.size() - tail);
}

int width_of(const std::string& text) {
  int widest = 0;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) widest = std::max(widest, display_width(line));
  return widest;
}

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

// The first of `units` in which the reading is known, without its uncertainty: a table to look
// over, not to quote from.
std::string cell(const Findings& findings, const std::string& key, const std::string& channel,
                 std::initializer_list<Unit> units) {
  for (const Unit unit : units) {
    const Reading* reading = find_reading(findings, key, channel, unit);
    if (reading == nullptr || (!reading->value && !reading->interval)) continue;
    Reading bare = *reading;
    bare.uncertainty.reset();
    return format_reading(bare);
  }
  return "-";
}

std::string level_cell(const Findings& findings, const std::string& channel) {
  std::string level = cell(findings, "level", channel, {Unit::kVolt, Unit::kDbv, Unit::kDbfs});
  if (level != "-") return level;
  return cell(findings, "noise", channel, {Unit::kVolt, Unit::kDbv, Unit::kDbfs});
}

std::string frequency_cell(const Findings& findings, const std::string& channel) {
  for (const char* key : {"frequency", "mains_frequency"}) {
    const Reading* reading = find_reading(findings, key, channel, Unit::kHertz);
    if (reading != nullptr && reading->value) return significant(*reading->value, 6);
  }
  return "-";
}

}  // namespace

void RecordingsSummary::add_findings(const std::string& name, const Findings& findings,
                                     std::size_t cautions) {
  const std::vector<std::string> channels = channels_of(findings);
  for (std::size_t at = 0; at < std::max<std::size_t>(1, channels.size()); at += 2) {
    const std::string first = at < channels.size() ? channels[at] : "";
    const std::string second = at + 1 < channels.size() ? channels[at + 1] : "";
    const std::string pair =
        second.empty() ? channel_mark(first) : channel_mark(first) + ' ' + channel_mark(second);
    const auto if_there = [](const std::string& channel, const std::string& text) {
      return channel.empty() ? std::string() : text;
    };
    const auto thd_n = [&](const std::string& channel) {
      return if_there(channel, cell(findings, "thd_n", channel, {Unit::kPercent, Unit::kDb}));
    };
    rows_.push_back({name, fmt::format("{:.2f}", findings.started_s),
                     measurement_label(findings.measurement), pair,
                     if_there(first, frequency_cell(findings, first)),
                     if_there(first, level_cell(findings, first)),
                     if_there(second, level_cell(findings, second)), thd_n(first), thd_n(second),
                     cautions + findings.cautions.size() > 0
                         ? fmt::format("{}", cautions + findings.cautions.size())
                         : ""});
  }
}

void RecordingsSummary::add(const RecordingFindings& recording) {
  ++recordings_;
  const std::string name = printable(std::filesystem::path(recording.path).filename().string());
  if (!recording.error.empty()) errors_.push_back(printable(recording.error));
  std::size_t shown = 0;
  for (const Findings& each : recording.findings) {
    if (shown == kRowsPerRecording) break;
    // What concerns the whole recording is counted once, in its first line.
    add_findings(shown == 0 ? name : "", each, shown == 0 ? recording.cautions.size() : 0);
    ++shown;
  }
  if (recording.findings.size() > shown) {
    std::vector<std::string> row(kColumns);
    row[kSignal] = fmt::format("{} more", recording.findings.size() - shown);
    rows_.push_back(row);
  }
  if (shown == 0) {
    std::vector<std::string> row(kColumns);
    row[kName] = name;
    row[kSignal] = recording.error.empty() ? "none" : "Error";
    if (!recording.cautions.empty()) row.back() = fmt::format("{}", recording.cautions.size());
    rows_.push_back(row);
  }
}

std::string RecordingsSummary::table(int name_width) const {
  using Align = TextTable::Align;
  std::vector<Align> columns(kColumns, Align::kRight);
  columns[kName] = columns[kSignal] = columns[kChannels] = Align::kLeft;
  TextTable table(columns);
  std::vector<std::string> heading = {"Recording", "From s", "Signal", "Ch",    "Hz",
                                      "Level",     "Level",  "THD+N",  "THD+N", "Cautions"};
  // In the usual case the headings name the channels, and their column can go.
  const bool is_stereo = std::all_of(rows_.begin(), rows_.end(), [](const auto& row) {
    return row[kChannels].empty() || row[kChannels] == "L R";
  });
  if (is_stereo) {
    heading = {"Recording", "From s",  "Signal",  "",        "Hz",
               "L Level",   "R Level", "L THD+N", "R THD+N", "Cautions"};
  }
  const auto add = [&](std::vector<std::string> row) {
    row[kName] = shortened(row[kName], name_width);
    if (is_stereo) row.erase(row.begin() + kChannels);
    table.add(std::move(row));
  };
  add(heading);
  for (const auto& row : rows_) add(row);
  return table.render(TextStyle{});
}

std::string RecordingsSummary::render(const TextStyle& style) const {
  std::string text;
  if (!rows_.empty()) {
    // The name gives way until the rest fits.
    text = table(kWidestName);
    const int excess = width_of(text) - style.width;
    if (excess > 0) text = table(std::max(kNarrowestName, kWidestName - excess));
    const std::size_t heading_end = text.find('\n');
    text = bold(text.substr(0, heading_end), style) + text.substr(heading_end) + '\n';
  }
  text += fmt::format("{} recording{}, {} with an error\n", recordings_,
                      recordings_ == 1 ? "" : "s", errors_.size());
  for (const std::string& error : errors_) {
    text += wrapped("Error: " + error, "  ", style.width);
  }
  return text;
}

}  // namespace sinewright
