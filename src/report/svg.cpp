#include "report/svg.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <set>
#include <vector>

#include "report/axis.h"
#include "report/labels.h"

namespace sinewright {
namespace {

constexpr double kWidth = 800, kHeight = 420;
constexpr double kLeft = 80, kRight = 726, kTop = 66, kBottom = 352;
constexpr double kMarkRadius = 3.2;
// Beyond this many points marks would hide the line.
constexpr std::size_t kMostMarks = 80;
constexpr double kLetterWidth = 7.2;  // of the font at 13 px, about
constexpr double kStemSpacing = 4;

// M. Okabe, K. Ito, "Color Universal Design" (jfly, 2002): told apart in every common kind of
// colour vision. Dashes and marks differ too, for grey prints.
struct Pen {
  const char* colour;
  const char* dash;
};
constexpr Pen kPens[] = {{"#0072B2", "none"},
                         {"#D55E00", "7 3"},
                         {"#009E73", "2 3"},
                         {"#CC79A7", "9 3 2 3"},
                         {"#000000", "4 2"}};

class Plot {
 public:
  explicit Plot(std::span<const Curve> curves) : x_(x_axis_of(curves)), y_(y_axis_of(curves)) {}
  [[nodiscard]] double x(double value) const {
    return kLeft + (kRight - kLeft) * x_.position(value);
  }
  [[nodiscard]] double y(double value) const {
    return kBottom - (kBottom - kTop) * y_.position(value);
  }
  [[nodiscard]] const PlotAxis& x_axis() const { return x_; }
  [[nodiscard]] const PlotAxis& y_axis() const { return y_; }

 private:
  PlotAxis x_;
  PlotAxis y_;
};

std::string line(double x1, double y1, double x2, double y2, const std::string& stroke) {
  return fmt::format(R"(<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" {}/>)"
                     "\n",
                     x1, y1, x2, y2, stroke);
}

std::string label(double x, double y, const char* anchor, const std::string& text,
                  const char* attributes = "") {
  return fmt::format(R"(<text x="{:.1f}" y="{:.1f}" text-anchor="{}"{}>{}</text>)"
                     "\n",
                     x, y, anchor, attributes, xml_escaped(text));
}

std::string grid(const Plot& plot) {
  const auto stroke = [](const Tick& tick) {
    return std::string(tick.label.empty() ? R"(stroke="#e4e4e4" stroke-width="0.7")"
                                          : R"(stroke="#bdbdbd" stroke-width="0.9")");
  };
  std::string svg;
  double last_label_x = -1e9, last_label_y = 1e9;
  for (const Tick& tick : plot.x_axis().ticks()) {
    const double x = plot.x(tick.value);
    svg += line(x, kTop, x, kBottom, stroke(tick));
    const double needed = 8.0 * static_cast<double>(tick.label.size()) + 4;
    if (tick.label.empty() || x - last_label_x < needed) continue;
    svg += label(x, kBottom + 18, "middle", tick.label);
    last_label_x = x;
  }
  for (const Tick& tick : plot.y_axis().ticks()) {
    const double y = plot.y(tick.value);
    svg += line(kLeft, y, kRight, y, stroke(tick));
    if (tick.label.empty() || last_label_y - y < 13) continue;
    svg += label(kLeft - 8, y + 4, "end", tick.label);
    last_label_y = y;
  }
  return svg + fmt::format(R"(<rect x="{}" y="{}" width="{}" height="{}" fill="none" )"
                           R"(stroke="#333333" stroke-width="1"/>)"
                           "\n",
                           kLeft, kTop, kRight - kLeft, kBottom - kTop);
}

std::string polyline(const std::string& points, const Pen& pen) {
  return fmt::format(R"(<polyline points="{}" fill="none" stroke="{}" stroke-width="1.8" )"
                     R"(stroke-dasharray="{}" stroke-linejoin="round"/>)"
                     "\n",
                     points, pen.colour, pen.dash);
}

// A mark at (x, y): disc, square, triangle, diamond, in turn; hollow where `is_limited`.
std::string mark(std::size_t index, double x, double y, bool is_limited) {
  const char* colour = kPens[index % std::size(kPens)].colour;
  const std::string paint = fmt::format(R"(fill="{}" stroke="{}" stroke-width="1.2")",
                                        is_limited ? "#ffffff" : colour, colour);
  const double r = kMarkRadius;
  switch (index % 4) {
    case 0:
      return fmt::format(R"(<circle cx="{:.1f}" cy="{:.1f}" r="{}" {}/>)"
                         "\n",
                         x, y, r, paint);
    case 1:
      return fmt::format(R"(<rect x="{:.1f}" y="{:.1f}" width="{}" height="{}" {}/>)"
                         "\n",
                         x - r, y - r, 2 * r, 2 * r, paint);
    case 2:
      return fmt::format(R"(<path d="M{:.1f} {:.1f}l{} {}h{}z" {}/>)"
                         "\n",
                         x, y - r - 1, r + 1, 2 * r + 1, -2 * (r + 1), paint);
    default:
      return fmt::format(R"(<path d="M{:.1f} {:.1f}l{} {}l{} {}l{} {}z" {}/>)"
                         "\n",
                         x, y - r - 1, r + 1, r + 1, -(r + 1), r + 1, -(r + 1), -(r + 1), paint);
  }
}

// Where the value may lie: a capped bar for an uncertainty, a broad pale one for an interval, in
// which no place is likelier than another.
std::string whisker(const Plot& plot, const Curve& curve, const CurvePoint& point, double x,
                    const Pen& pen) {
  const auto y_of = [&](double value) {
    return curve.y.logarithmic && !(value > 0) ? kBottom : plot.y(value);
  };
  if (point.uncertainty && *point.uncertainty > 0) {
    const double low = y_of(*point.y - *point.uncertainty);
    const double high = y_of(*point.y + *point.uncertainty);
    // One that a mark would hide says nothing.
    if (low - high < 2 * kMarkRadius) return {};
    const std::string stroke = fmt::format(R"(stroke="{}" stroke-width="1.2")", pen.colour);
    constexpr double kCap = 3;
    return line(x, low, x, high, stroke) + line(x - kCap, low, x + kCap, low, stroke) +
           line(x - kCap, high, x + kCap, high, stroke);
  }
  if (!point.interval) return {};
  return line(x, y_of(point.interval->low), x, y_of(point.interval->high),
              fmt::format(R"(stroke="{}" stroke-width="5" stroke-opacity="0.35")", pen.colour));
}

std::string draw_curve(const Plot& plot, const Curve& curve, std::size_t index, std::size_t count) {
  const Pen& pen = kPens[index % std::size(kPens)];
  const bool is_spectrum = has_lines(curve.key);
  std::string lines, marks, run;
  std::size_t run_length = 0;
  const auto end_run = [&] {
    if (run_length > 1) lines += polyline(run, pen);
    run.clear();
    run_length = 0;
  };
  for (const CurvePoint& point : curve.points) {
    if (!can_be_drawn(curve, point)) {
      end_run();  // a gap stays a gap
      continue;
    }
    // Stems of several channels stand side by side; one would hide the other.
    const double shift =
        is_spectrum
            ? kStemSpacing * (static_cast<double>(index) - (static_cast<double>(count) - 1) / 2)
            : 0;
    const double x = plot.x(point.x) + shift, y = plot.y(*point.y);
    if (is_spectrum) {
      lines += line(x, kBottom, x, y,
                    fmt::format(R"(stroke="{}" stroke-width="1.8" stroke-dasharray="{}")",
                                pen.colour, pen.dash));
    } else {
      run += fmt::format("{}{:.1f},{:.1f}", run.empty() ? "" : " ", x, y);
      ++run_length;
    }
    lines += whisker(plot, curve, point, x, pen);
    if (curve.points.size() <= kMostMarks) marks += mark(index, x, y, !point.limited_by.empty());
  }
  end_run();
  return lines + marks;
}

std::string curve_name(const Curve& curve) {
  if (curve.channel.empty() || curve.channel == "pair") return reading_label(curve.key);
  return fmt::format("{}, {}", reading_label(curve.key), channel_label(curve.channel));
}

std::string legend(std::span<const Curve> curves) {
  std::string svg;
  double x = kLeft, y = 40;
  for (std::size_t i = 0; i < curves.size(); ++i) {
    const Pen& pen = kPens[i % std::size(kPens)];
    const std::string name = curve_name(curves[i]);
    const double width = 36 + kLetterWidth * static_cast<double>(name.size()) + 18;
    if (x > kLeft && x + width > kWidth) {
      x = kLeft;
      y += 16;
    }
    svg += line(x, y, x + 30, y,
                fmt::format(R"(stroke="{}" stroke-width="1.8" stroke-dasharray="{}")", pen.colour,
                            pen.dash));
    svg += mark(i, x + 15, y, false);
    svg += label(x + 36, y + 4, "start", name);
    x += width;
  }
  return svg;
}

// The short name at the last point of each curve, moved apart where the ends lie close.
std::string end_labels(const Plot& plot, std::span<const Curve> curves) {
  struct End {
    double y;
    std::string text;
    const char* colour;
  };
  std::vector<End> ends;
  for (std::size_t i = 0; i < curves.size(); ++i) {
    const auto last =
        std::find_if(curves[i].points.rbegin(), curves[i].points.rend(),
                     [&](const CurvePoint& point) { return can_be_drawn(curves[i], point); });
    if (last == curves[i].points.rend() || has_lines(curves[i].key)) continue;
    const bool has_same_channel = std::any_of(curves.begin(), curves.end(), [&](const Curve& c) {
      return &c != &curves[i] && c.channel == curves[i].channel;
    });
    const std::string name = channel_mark(curves[i].channel) +
                             (has_same_channel ? ' ' + reading_label(curves[i].key) : "");
    ends.push_back({plot.y(*last->y) + 4, name, kPens[i % std::size(kPens)].colour});
  }
  std::sort(ends.begin(), ends.end(), [](const End& a, const End& b) { return a.y < b.y; });
  std::string svg;
  double lowest = 0;
  for (const End& end : ends) {
    const double y = std::max(end.y, lowest);
    lowest = y + 14;
    svg +=
        label(kRight + 7, y, "start", end.text, fmt::format(R"( fill="{}")", end.colour).c_str());
  }
  return svg;
}

std::string limits_line(std::span<const Curve> curves) {
  std::set<std::string> limits;
  for (const Curve& curve : curves) {
    for (const CurvePoint& point : curve.points) {
      if (!point.limited_by.empty()) limits.insert(limit_label(point.limited_by));
    }
  }
  if (limits.empty()) return {};
  return label(kLeft, kHeight - 12, "start",
               fmt::format("Hollow marks: {}", fmt::join(limits, ", ")));
}

std::string axis_title(const Axis& axis) {
  std::string text = axis.quantity;
  if (!text.empty()) text[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(text[0])));
  if (axis.unit.empty()) return text;
  return text.empty() ? axis.unit : fmt::format("{}, {}", text, axis.unit);
}

bool shares_axes(const Curve& a, const Curve& b) {
  return a.x.quantity == b.x.quantity && a.x.unit == b.x.unit && a.y.quantity == b.y.quantity &&
         a.y.unit == b.y.unit && a.x.logarithmic == b.x.logarithmic &&
         a.y.logarithmic == b.y.logarithmic;
}

bool has_points(const Curve& curve) {
  return std::any_of(curve.points.begin(), curve.points.end(),
                     [&](const CurvePoint& point) { return can_be_drawn(curve, point); });
}

struct Chart {
  std::string title;
  std::vector<Curve> curves;
};

void add_charts(const Findings& findings, std::vector<Chart>& charts) {
  std::vector<Chart> own;
  for (const Curve& curve : findings.curves) {
    if (!has_points(curve)) continue;
    const auto found = std::find_if(own.begin(), own.end(), [&](const Chart& chart) {
      return shares_axes(chart.curves.front(), curve) &&
             has_lines(chart.curves.front().key) == has_lines(curve.key);
    });
    if (found != own.end()) {
      found->curves.push_back(curve);
    } else {
      own.push_back({"", {curve}});
    }
  }
  for (Chart& chart : own) {
    std::vector<std::string> names;
    for (const Curve& curve : chart.curves) {
      const std::string name = reading_label(curve.key);
      if (std::find(names.begin(), names.end(), name) == names.end()) names.push_back(name);
    }
    const std::string measurement = findings_title(findings);
    const std::string joined = fmt::format("{}", fmt::join(names, " and "));
    chart.title =
        measurement == joined ||
                (names.size() == 1 && measurement.ends_with("response") && names[0] == "Response")
            ? measurement
            : fmt::format("{}: {}", measurement, joined);
    charts.push_back(std::move(chart));
  }
}

}  // namespace

std::string xml_escaped(const std::string& text) {
  std::string escaped;
  for (const char c : printable(text)) {
    switch (c) {
      case '&':
        escaped += "&amp;";
        break;
      case '<':
        escaped += "&lt;";
        break;
      case '>':
        escaped += "&gt;";
        break;
      case '"':
        escaped += "&quot;";
        break;
      default:
        escaped += c;
    }
  }
  return escaped;
}

std::string svg_chart(std::span<const Curve> curves, const std::string& title, double y_offset) {
  const Plot plot(curves);
  std::string svg = fmt::format(
      R"(<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" width="{0}" height="{1}" )"
      R"(y="{2}" role="img" aria-label="{3}" font-family="sans-serif" font-size="13" fill="#222222">)"
      "\n",
      kWidth, kHeight, y_offset, xml_escaped(title));
  svg += fmt::format("<title>{}</title>\n", xml_escaped(title));
  svg += fmt::format(R"(<rect width="{}" height="{}" fill="#ffffff"/>)"
                     "\n",
                     kWidth, kHeight);
  svg += label(kLeft, 22, "start", title, R"( font-size="16" font-weight="bold")");
  svg += grid(plot);
  for (std::size_t i = 0; i < curves.size(); ++i)
    svg += draw_curve(plot, curves[i], i, curves.size());
  svg += legend(curves) + end_labels(plot, curves) + limits_line(curves);
  if (!curves.empty()) {
    svg += label((kLeft + kRight) / 2, kBottom + 38, "middle", axis_title(curves[0].x));
    svg += fmt::format(R"svg(<text transform="translate(14 {:.1f}) rotate(-90)" )svg"
                       R"svg(text-anchor="middle">{}</text>)svg"
                       "\n",
                       (kTop + kBottom) / 2, xml_escaped(axis_title(curves[0].y)));
  }
  return svg + "</svg>\n";
}

std::string svg_document(std::span<const Findings> findings) {
  std::vector<Chart> charts;
  for (const Findings& each : findings) add_charts(each, charts);
  if (charts.empty()) return {};
  if (charts.size() == 1) return svg_chart(charts[0].curves, charts[0].title);
  const double height = kHeight * static_cast<double>(charts.size());
  std::string svg = fmt::format(
      R"(<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" width="{0}" height="{1}">)"
      "\n",
      kWidth, height);
  for (std::size_t i = 0; i < charts.size(); ++i) {
    svg += svg_chart(charts[i].curves, charts[i].title, kHeight * static_cast<double>(i));
  }
  return svg + "</svg>\n";
}

}  // namespace sinewright
