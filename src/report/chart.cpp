#include "report/chart.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "report/axis.h"
#include "report/labels.h"

namespace sinewright {
namespace {

constexpr int kRows = 17;
constexpr int kLabelColumns = 8;
constexpr int kRightMargin = 5;  // for half of the last label
constexpr const char* kColours[] = {"\x1b[36m", "\x1b[33m", "\x1b[32m", "\x1b[35m"};
constexpr char kLink = '.';
constexpr char kCoincident = '#';

struct Cell {
  char mark = ' ';
  int owner = -1;  // index of the curve; -1: grid
};

class Canvas {
 public:
  Canvas(int columns, int rows)
      : columns_(columns), rows_(rows), cells_(static_cast<std::size_t>(columns) * rows) {}

  [[nodiscard]] int column_of(double position) const {
    return static_cast<int>(std::lround(position * (columns_ - 1)));
  }
  [[nodiscard]] int row_of(double position) const {
    return static_cast<int>(std::lround((1 - position) * (rows_ - 1)));
  }
  [[nodiscard]] Cell& at(int row, int column) {
    return cells_[static_cast<std::size_t>(row) * columns_ + column];
  }

  void grid(int row, int column, char mark) { at(row, column) = {mark, -1}; }

  void link(int row, int column, int owner) {
    Cell& cell = at(row, column);
    if (cell.owner < 0) cell = {kLink, owner};
  }

  void point(int row, int column, int owner, char mark) {
    Cell& cell = at(row, column);
    const bool is_others = cell.owner >= 0 && cell.owner != owner && cell.mark != kLink;
    cell = is_others ? Cell{kCoincident, owner} : Cell{mark, owner};
  }

  [[nodiscard]] std::string line(int row, const TextStyle& style) {
    std::string text;
    for (int column = 0; column < columns_; ++column) {
      const Cell& cell = at(row, column);
      if (style.has_colour && cell.owner >= 0 && cell.mark != kCoincident) {
        text += kColours[static_cast<std::size_t>(cell.owner) % std::size(kColours)];
        text += cell.mark;
        text += "\x1b[0m";
      } else {
        text += cell.mark;
      }
    }
    text.erase(text.find_last_not_of(' ') + 1);
    return text;
  }

  [[nodiscard]] int columns() const { return columns_; }
  [[nodiscard]] int rows() const { return rows_; }

 private:
  int columns_;
  int rows_;
  std::vector<Cell> cells_;
};

char mark_of(const Curve& curve) {
  return curve.channel.empty() || curve.channel == "pair" ? '*' : channel_mark(curve.channel)[0];
}

struct Spot {
  int row, column;
};

std::vector<std::optional<Spot>> spots_of(const Curve& curve, const PlotAxis& x, const PlotAxis& y,
                                          const Canvas& canvas) {
  std::vector<std::optional<Spot>> spots;
  for (const CurvePoint& point : curve.points) {
    std::optional<Spot> spot;
    if (can_be_drawn(curve, point)) {
      spot = Spot{canvas.row_of(y.position(*point.y)), canvas.column_of(x.position(point.x))};
    }
    spots.push_back(spot);
  }
  return spots;
}

void draw_links(Canvas& canvas, const std::vector<std::optional<Spot>>& spots, int owner) {
  for (std::size_t i = 1; i < spots.size(); ++i) {
    if (!spots[i - 1] || !spots[i]) continue;  // a gap stays a gap
    const Spot from = *spots[i - 1], to = *spots[i];
    const int steps = std::max(std::abs(to.row - from.row), std::abs(to.column - from.column));
    for (int s = 1; s < steps; ++s) {
      const double part = static_cast<double>(s) / steps;
      canvas.link(static_cast<int>(std::lround(from.row + part * (to.row - from.row))),
                  static_cast<int>(std::lround(from.column + part * (to.column - from.column))),
                  owner);
    }
  }
}

void draw_stems(Canvas& canvas, const std::vector<std::optional<Spot>>& spots, int owner) {
  for (const auto& spot : spots) {
    if (!spot) continue;
    for (int row = spot->row + 1; row < canvas.rows(); ++row) {
      canvas.link(row, spot->column, owner);
    }
  }
}

// Only where two labelled lines cross: whole lines of characters would bury the curves.
void draw_grid(Canvas& canvas, const PlotAxis& x, const PlotAxis& y) {
  for (const Tick& across : x.ticks()) {
    for (const Tick& up : y.ticks()) {
      if (across.label.empty() || up.label.empty()) continue;
      canvas.grid(canvas.row_of(y.position(up.value)), canvas.column_of(x.position(across.value)),
                  '+');
    }
  }
}

// Labels below the axis, each centred on its line; one that would touch the last is left out.
std::string x_labels(const PlotAxis& x, const Canvas& canvas) {
  const auto room = static_cast<std::size_t>(kLabelColumns) + kRightMargin +
                    static_cast<std::size_t>(canvas.columns());
  std::string line;
  for (const Tick& tick : x.ticks()) {
    if (tick.label.empty()) continue;
    const int centre = kLabelColumns + 2 + canvas.column_of(x.position(tick.value));
    const auto start =
        static_cast<std::size_t>(std::max(0, centre - static_cast<int>(tick.label.size()) / 2));
    if (start < line.size() + (line.empty() ? 0 : 2) || start + tick.label.size() > room) continue;
    line.resize(start, ' ');
    line += tick.label;
  }
  return line;
}

std::string y_label_of_row(const PlotAxis& y, const Canvas& canvas, int row) {
  for (const Tick& tick : y.ticks()) {
    if (!tick.label.empty() && canvas.row_of(y.position(tick.value)) == row) return tick.label;
  }
  return {};
}

std::string legend(std::span<const Curve> curves, const TextStyle& style) {
  std::string text;
  for (std::size_t i = 0; i < curves.size(); ++i) {
    const std::string mark(1, mark_of(curves[i]));
    const std::string label = channel_label(curves[i].channel);
    text += text.empty() ? "" : "    ";
    text += style.has_colour ? kColours[i % std::size(kColours)] + mark + "\x1b[0m" : mark;
    text += label.empty() ? "" : "  " + label;
  }
  if (curves.size() > 1) text += fmt::format("    {}  at the same place", kCoincident);
  return text;
}

}  // namespace

std::string render_chart(std::span<const Curve> curves, const TextStyle& style) {
  const bool has_points = std::any_of(curves.begin(), curves.end(), [](const Curve& curve) {
    return std::any_of(curve.points.begin(), curve.points.end(),
                       [&](const CurvePoint& point) { return can_be_drawn(curve, point); });
  });
  if (!has_points) return {};

  const PlotAxis x = x_axis_of(curves);
  const PlotAxis y = y_axis_of(curves);
  Canvas canvas(std::max(20, style.width - kLabelColumns - kRightMargin), kRows);
  draw_grid(canvas, x, y);
  std::vector<std::vector<std::optional<Spot>>> spots;
  for (std::size_t i = 0; i < curves.size(); ++i) {
    spots.push_back(spots_of(curves[i], x, y, canvas));
    const auto draw = has_lines(curves[i].key) ? draw_stems : draw_links;
    draw(canvas, spots.back(), static_cast<int>(i));
  }
  for (std::size_t i = 0; i < curves.size(); ++i) {
    for (const auto& spot : spots[i]) {
      if (spot) canvas.point(spot->row, spot->column, static_cast<int>(i), mark_of(curves[i]));
    }
  }

  std::string text = bold(fmt::format("{} in {}, over {} in {}", reading_label(curves[0].key),
                                      curves[0].y.unit, curves[0].x.quantity, curves[0].x.unit),
                          style) +
                     '\n';
  for (int row = 0; row < canvas.rows(); ++row) {
    text += fmt::format("{:>{}} |{}\n", y_label_of_row(y, canvas, row), kLabelColumns,
                        canvas.line(row, style));
  }
  text += fmt::format("{:>{}} +{:-<{}}\n", "", kLabelColumns, "", canvas.columns());
  text += x_labels(x, canvas) + '\n';
  return text + std::string(kLabelColumns + 2, ' ') + legend(curves, style) + '\n';
}

std::string render_charts(const Findings& findings, const TextStyle& style) {
  std::vector<std::string> keys;
  for (const Curve& curve : findings.curves) {
    if (std::find(keys.begin(), keys.end(), curve.key) == keys.end()) keys.push_back(curve.key);
  }
  std::string text;
  for (const std::string& key : keys) {
    std::vector<Curve> curves;
    std::copy_if(findings.curves.begin(), findings.curves.end(), std::back_inserter(curves),
                 [&](const Curve& curve) { return curve.key == key; });
    const std::string chart = render_chart(curves, style);
    if (!chart.empty()) text += (text.empty() ? "" : "\n") + chart;
  }
  return text;
}

}  // namespace sinewright
