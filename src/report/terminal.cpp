#include "report/terminal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <span>

#include "report/chart.h"
#include "report/labels.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

// More orders than fit a screen say little one by one.
constexpr std::size_t kHarmonicsShown = 12;
constexpr std::size_t kChannelsAbreast = 2;

using Align = TextTable::Align;

/// Texts that cells refer to by number, each kept once.
class Footnotes {
 public:
  [[nodiscard]] std::string mark(const std::string& text) {
    auto found = std::find(texts_.begin(), texts_.end(), text);
    if (found == texts_.end()) found = texts_.insert(texts_.end(), text);
    return fmt::format(" [{}]", found - texts_.begin() + 1);
  }
  [[nodiscard]] std::string render(const TextStyle& style) const {
    std::string lines;
    for (std::size_t i = 0; i < texts_.size(); ++i) {
      lines += wrapped(fmt::format("[{}] {}", i + 1, texts_[i]), "    ", style.width);
    }
    return lines;
  }

 private:
  std::vector<std::string> texts_;
};

template <typename T>
void add_once(std::vector<T>& list, const T& item) {
  if (std::find(list.begin(), list.end(), item) == list.end()) list.push_back(item);
}

bool is_shared(const std::string& channel) { return channel.empty() || channel == "pair"; }

std::string cell_of(const Reading* reading, Footnotes& notes) {
  if (reading == nullptr) return {};
  std::string cell = format_reading(*reading);
  if (!reading->limited_by.empty()) cell += notes.mark(limit_label(reading->limited_by));
  if (!reading->note.empty()) cell += notes.mark(printable(reading->note));
  return cell;
}

// One block of the results: a line for each key and unit, a column for each channel.
std::string render_block(const Findings& findings, std::span<const std::string> channels,
                         Footnotes& notes, const TextStyle& style) {
  std::vector<std::string> keys;
  std::vector<std::pair<std::string, Unit>> lines;
  for (const Reading& reading : findings.readings) {
    if (std::find(channels.begin(), channels.end(), reading.channel) == channels.end()) continue;
    add_once(keys, reading.key);
    add_once(lines, {reading.key, reading.unit});
  }
  // All units of a key together, keys in the order in which they came.
  std::stable_sort(lines.begin(), lines.end(), [&](const auto& left, const auto& right) {
    return std::find(keys.begin(), keys.end(), left.first) <
           std::find(keys.begin(), keys.end(), right.first);
  });

  TextTable table(std::vector<Align>(channels.size() + 1, Align::kLeft));
  std::vector<std::string> heading = {""};
  for (const std::string& channel : channels) {
    heading.push_back(channel.empty() ? "All channels" : channel_label(channel));
  }
  table.add(heading);
  std::string last_key;
  for (const auto& [key, unit] : lines) {
    std::vector<std::string> row = {key == last_key ? "" : reading_label(key)};
    for (const std::string& channel : channels) {
      row.push_back(cell_of(find_reading(findings, key, channel, unit), notes));
    }
    table.add(row);
    last_key = key;
  }
  return table.render(style);
}

// What the ± in the table means. Its factor depends on what dominates each budget.
std::string coverage_line(const Findings& findings) {
  double lowest = 1e9;
  double highest = 0;
  for (const Reading& reading : findings.readings) {
    if (!reading.uncertainty || !reading.k) continue;
    lowest = std::min(lowest, *reading.k);
    highest = std::max(highest, *reading.k);
  }
  if (lowest > highest) return {};
  const std::string from = fmt::format("{:.2f}", lowest);
  const std::string to = fmt::format("{:.2f}", highest);
  return fmt::format("± expanded uncertainty, coverage 95 %, k = {}{}\n", from,
                     from == to ? "" : " to " + to);
}

std::string position_text(const Findings& findings) {
  if (findings.ended_s <= findings.started_s) return {};
  return fmt::format(", {:.2f} s to {:.2f} s", findings.started_s, findings.ended_s);
}

bool has_same_x(const Curve& a, const Curve& b) {
  return std::equal(a.points.begin(), a.points.end(), b.points.begin(), b.points.end(),
                    [](const CurvePoint& p, const CurvePoint& q) { return p.x == q.x; });
}

// Curves of one x axis; neighbours that share their x values share the column too.
using CurveGroup = std::vector<const Curve*>;

std::string heading_of(const Axis& axis) {
  std::string name = axis.quantity;
  if (!name.empty()) name[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(name[0])));
  return fmt::format("{} {}", name, axis.unit);
}

std::string cell_of(const CurvePoint& point, const std::string& unit, Footnotes& notes) {
  const std::string cell = format_point(point, unit);
  return point.limited_by.empty() ? cell : cell + notes.mark(limit_label(point.limited_by));
}

std::string render_group(const CurveGroup& group, Footnotes& notes, const TextStyle& style) {
  std::vector<std::string> heading;
  std::vector<std::vector<std::string>> rows;
  const auto put = [&](std::size_t row, std::string cell) {
    if (rows.size() <= row) rows.resize(row + 1);
    rows[row].resize(heading.size() - 1);
    rows[row].push_back(std::move(cell));
  };
  const Curve* last = nullptr;
  for (const Curve* curve : group) {
    if (last == nullptr || !has_same_x(*last, *curve)) {
      heading.push_back(heading_of(curve->x));
      for (std::size_t i = 0; i < curve->points.size(); ++i) {
        put(i, format_in_unit(curve->points[i].x, curve->x.unit));
      }
    }
    const std::string mark = is_shared(curve->channel) ? "" : channel_mark(curve->channel) + ' ';
    heading.push_back(mark + reading_label(curve->key) + ' ' + curve->y.unit);
    for (std::size_t i = 0; i < curve->points.size(); ++i) {
      put(i, cell_of(curve->points[i], curve->y.unit, notes));
    }
    last = curve;
  }
  TextTable table(std::vector<Align>(heading.size(), Align::kRight));
  table.add(heading);
  for (auto& row : rows) table.add(row);
  return table.render(style);
}

// Sorts the curves into tables: by x axis, equal x values together, no table wider than the page.
std::vector<CurveGroup> group_curves(const Findings& findings) {
  constexpr std::size_t kCurvesAbreast = 4;
  std::vector<const Curve*> left;
  for (const Curve& curve : findings.curves) left.push_back(&curve);
  std::vector<CurveGroup> groups;
  while (!left.empty()) {
    const Curve* first = left.front();
    CurveGroup sorted;
    const auto take_if = [&](auto&& belongs) {
      for (auto it = left.begin(); it != left.end();) {
        if (belongs(**it)) {
          sorted.push_back(*it);
          it = left.erase(it);
        } else {
          ++it;
        }
      }
    };
    const auto on_axis = [&](const Curve& c) {
      return c.x.unit == first->x.unit && c.x.quantity == first->x.quantity;
    };
    while (std::any_of(left.begin(), left.end(), [&](const Curve* c) { return on_axis(*c); })) {
      const Curve* next =
          *std::find_if(left.begin(), left.end(), [&](const Curve* c) { return on_axis(*c); });
      take_if([&](const Curve& c) { return on_axis(c) && has_same_x(c, *next); });
    }
    for (std::size_t at = 0; at < sorted.size(); at += kCurvesAbreast) {
      const std::size_t end = std::min(at + kCurvesAbreast, sorted.size());
      groups.emplace_back(sorted.begin() + static_cast<std::ptrdiff_t>(at),
                          sorted.begin() + static_cast<std::ptrdiff_t>(end));
    }
  }
  return groups;
}

}  // namespace

std::string render_heading(const Findings& findings, const TextStyle& style) {
  std::string text = bold(findings_title(findings) + position_text(findings), style) + '\n';
  std::string conditions;
  for (const Condition& condition : findings.conditions) {
    const std::string each = condition_text(condition);
    if (!each.empty()) conditions += (conditions.empty() ? "" : ", ") + each;
  }
  if (!findings.taken.empty()) {
    conditions += (conditions.empty() ? "taken " : ", taken ") + printable(findings.taken);
  }
  return conditions.empty() ? text : text + wrapped(conditions, "", style.width);
}

std::string render_readings(const Findings& findings, const TextStyle& style) {
  std::vector<std::string> channels, shared;
  for (const Reading& reading : findings.readings) {
    add_once(is_shared(reading.channel) ? shared : channels, reading.channel);
  }
  Footnotes notes;
  std::string text;
  for (std::size_t at = 0; at < channels.size(); at += kChannelsAbreast) {
    const std::size_t count = std::min(kChannelsAbreast, channels.size() - at);
    text += (text.empty() ? "" : "\n") +
            render_block(findings, std::span(channels).subspan(at, count), notes, style);
  }
  for (const std::string& each : shared) {
    text += (text.empty() ? "" : "\n") + render_block(findings, std::span(&each, 1), notes, style);
  }
  return text + coverage_line(findings) + notes.render(style);
}

std::string render_harmonics(const Findings& findings, const TextStyle& style) {
  std::vector<std::string> channels;
  std::vector<int> orders;
  for (const Harmonic& harmonic : findings.harmonics) {
    add_once(channels, harmonic.channel);
    if (harmonic.level_dbc) add_once(orders, harmonic.order);
  }
  if (channels.empty()) return {};
  if (orders.empty()) return "No harmonic stands above the noise.\n";
  std::sort(orders.begin(), orders.end());

  std::vector<Align> columns(2 + 2 * channels.size(), Align::kRight);
  std::vector<std::string> heading = {"Harmonic", "Hz"};
  for (const std::string& channel : channels) {
    heading.push_back(channel_mark(channel) + " dBc");
    heading.push_back(channel_mark(channel) + " phase °");
  }
  TextTable table(columns);
  table.add(heading);
  for (std::size_t i = 0; i < std::min(orders.size(), kHarmonicsShown); ++i) {
    std::vector<std::string> row = {fmt::format("{}", orders[i]), ""};
    for (const std::string& channel : channels) {
      const auto found = std::find_if(
          findings.harmonics.begin(), findings.harmonics.end(), [&](const Harmonic& harmonic) {
            return harmonic.channel == channel && harmonic.order == orders[i];
          });
      const bool is_known = found != findings.harmonics.end();
      if (is_known && row[1].empty()) row[1] = significant(found->frequency_hz, 6);
      row.push_back(is_known && found->level_dbc ? fmt::format("{:.2f}", *found->level_dbc) : "-");
      row.push_back(is_known && found->phase_deg ? fmt::format("{:.1f}", *found->phase_deg) : "-");
    }
    table.add(row);
  }
  std::string text = table.render(style);
  if (orders.size() > kHarmonicsShown) {
    text += fmt::format("{} more, to harmonic {}: in JSON and CSV\n",
                        orders.size() - kHarmonicsShown, orders.back());
  }
  return text;
}

std::string render_curve_tables(const Findings& findings, const TextStyle& style) {
  Footnotes notes;
  std::string text;
  for (const CurveGroup& group : group_curves(findings)) {
    text += (text.empty() ? "" : "\n") + render_group(group, notes, style);
  }
  return text + notes.render(style);
}

std::string render_cautions(const std::vector<Caution>& cautions, const TextStyle& style) {
  std::string text;
  for (const Caution& caution : cautions) {
    std::string line;
    if (!caution.channel.empty()) line += channel_label(caution.channel) + ": ";
    line += printable(caution.text);
    if (caution.at_s) line += fmt::format(" (at {:.3f} s)", *caution.at_s);
    // Broken before it is coloured: an escape sequence has no width.
    std::string lines = wrapped("Caution: " + line, "  ", style.width);
    const auto label = std::string("Caution:").size();
    text += caution_coloured(lines.substr(0, label), style) + lines.substr(label);
  }
  return text;
}

std::string render_findings(const Findings& findings, const TextStyle& style) {
  std::string text = render_heading(findings, style);
  const auto add = [&](const std::string& part) {
    if (!part.empty()) text += '\n' + part;
  };
  add(render_cautions(findings.cautions, style));
  add(render_readings(findings, style));
  add(render_harmonics(findings, style));
  add(render_charts(findings, style));
  add(render_curve_tables(findings, style));
  return text;
}

std::string render_recording(const RecordingFindings& recording, const TextStyle& style) {
  std::string text = bold(printable(recording.path), style) + '\n';
  if (!recording.error.empty()) {
    return text + wrapped("Error: " + printable(recording.error), "  ", style.width);
  }
  text += fmt::format("{} Hz, {} channel{}, {:.2f} s\n", short_number(recording.sample_rate_hz),
                      recording.channels, recording.channels == 1 ? "" : "s", recording.duration_s);
  text += render_cautions(recording.cautions, style);
  for (const Findings& each : recording.summary) text += '\n' + render_findings(each, style);
  for (const Findings& each : recording.findings) text += '\n' + render_findings(each, style);
  return text;
}

}  // namespace sinewright
