#include "report/wiring_svg.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "report/divider_text.h"
#include "report/numbers.h"
#include "report/svg.h"

namespace sinewright {
namespace {

constexpr double kWidth = 1000, kHeight = 665;
constexpr const char* kInk = "#222222";
constexpr const char* kRed = "#c8102e";
constexpr double kLineHeight = 17;

// Where the parts stand, from left to right.
constexpr double kCardOutRight = 130, kPadLeft = 180, kPadRight = 260;
constexpr double kAmplifierLeft = 315, kAmplifierRight = 455;
constexpr double kChassisX = 490, kLoadX = 545;
constexpr double kTopLeft = 610, kTopRight = 710, kTapX = 735, kClampX = 815, kCardInLeft = 870;
constexpr double kTableTop = 470;

enum class Side { kLeft, kRight };

/// Collects the elements of a drawing.
class Drawing {
 public:
  explicit Drawing(const std::string& title) {
    svg_ = fmt::format(
        R"(<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" width="{0}" height="{1}" )"
        R"(role="img" aria-label="{2}" font-family="sans-serif" font-size="12.5" fill="{3}">)"
        "\n<title>{2}</title>\n"
        R"(<rect width="{0}" height="{1}" fill="#ffffff"/>)"
        "\n",
        kWidth, kHeight, xml_escaped(title), kInk);
  }

  void text(double x, double y, const std::string& anchor, const std::string& words,
            const std::string& more = {}) {
    svg_ += fmt::format("<text x=\"{}\" y=\"{}\" text-anchor=\"{}\"{}>{}</text>\n", x, y, anchor,
                        more, xml_escaped(words));
  }

  void wire(const std::string& points, Side side = Side::kLeft) {
    svg_ +=
        fmt::format("<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"2\"{}/>\n",
                    points, kInk, side == Side::kRight ? " stroke-dasharray=\"8 4\"" : "");
  }

  void box(double x, double y, double width, double height, const char* fill = "#ffffff") {
    svg_ += fmt::format(
        "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"2\" fill=\"{}\" stroke=\"{}\" "
        "stroke-width=\"1.5\"/>\n",
        x, y, width, height, fill, kInk);
  }

  void node(double x, double y) {
    svg_ += fmt::format("<circle cx=\"{}\" cy=\"{}\" r=\"3.2\"/>\n", x, y);
  }

  /// Left a white circle, right a red square, each with its letter.
  void socket(double x, double y, Side side, const std::string& letter) {
    if (side == Side::kLeft) {
      svg_ += fmt::format(
          "<circle cx=\"{}\" cy=\"{}\" r=\"10\" fill=\"#ffffff\" stroke=\"{}\" "
          "stroke-width=\"2\"/>\n",
          x, y, kInk);
      text(x, y + 4, "middle", letter);
    } else {
      box(x - 10, y - 10, 20, 20, kRed);
      text(x, y + 4, "middle", letter, " fill=\"#ffffff\" font-weight=\"bold\"");
    }
  }

  void chassis(double x, double y) {
    svg_ += fmt::format(
        "<path d=\"M{0} {1}v14m-12 0h24m-20 5h16m-12 5h8\" fill=\"none\" stroke=\"{2}\" "
        "stroke-width=\"2\"/>\n",
        x, y, kInk);
  }

  /// A diode on a vertical wire, conducting downwards or upwards.
  void diode(double x, double y, bool is_down) {
    const double way = is_down ? 9 : -9;
    svg_ += fmt::format(
        "<path d=\"M{} {}h16l-8 {}z\" fill=\"#ffffff\" stroke=\"{}\" stroke-width=\"1.5\"/>\n",
        x - 8, y - way, 2 * way, kInk);
    wire(fmt::format("{},{} {},{}", x - 8, y + way, x + 8, y + way));
  }

  [[nodiscard]] std::string finish() const { return svg_ + "</svg>\n"; }

 private:
  std::string svg_;
};

std::string points(double x1, double y1, double x2, double y2) {
  return fmt::format("{},{} {},{}", x1, y1, x2, y2);
}

std::string value_in(const RangeDesign& range, const std::string& value) {
  return range.name + " " + value;
}

/// R1, as many boxes as stand in series in the high range, along the wire at `y`.
void draw_top(Drawing& drawing, const DividerDesign& design, double y) {
  const int count = design.ranges.front().pair.top_count;
  const double pitch = (kTopRight - kTopLeft) / count;
  for (int i = 0; i < count; ++i) {
    drawing.box(kTopLeft + i * pitch + 2, y - 7, pitch - 4, 14);
  }
}

void label_top(Drawing& drawing, const DividerDesign& design, double y) {
  std::string words = "R1:";
  for (const RangeDesign& range : design.ranges) {
    words += (words == "R1:" ? " " : ", ") + value_in(range, top_text(range.pair));
  }
  drawing.text((kTopLeft + kTopRight) / 2, y, "middle", words);
}

/// R2 and the clamps between the tap at `tap_y` and `minus_y`, above it or below.
void draw_bottom(Drawing& drawing, const DividerDesign& design, double tap_y, double minus_y) {
  const double middle = (tap_y + minus_y) / 2;
  drawing.wire(points(kTapX, tap_y, kTapX, minus_y));
  drawing.box(kTapX - 7, middle - 22, 14, 44);
  drawing.text(kTapX - 14, middle - 10, "end", "R2");
  double y = middle + 7;
  for (const RangeDesign& range : design.ranges) {
    drawing.text(kTapX - 14, y, "end", value_in(range, ohm_text(range.pair.bottom_ohm)));
    y += kLineHeight;
  }
  const double upper = std::min(tap_y, minus_y), lower = std::max(tap_y, minus_y);
  for (const double x : {kClampX - 14, kClampX + 14}) {
    drawing.wire(fmt::format("{},{} {},{} {},{} {},{}", kClampX, upper, kClampX, upper + 18, x,
                             upper + 18, x, middle));
    drawing.wire(fmt::format("{},{} {},{} {},{} {},{}", x, middle, x, lower - 18, kClampX,
                             lower - 18, kClampX, lower));
    drawing.diode(x, middle, x < kClampX);
  }
  for (const double end_y : {tap_y, minus_y}) {
    drawing.node(kTapX, end_y);
    drawing.node(kClampX, end_y);
  }
}

std::string clamp_words(const DividerDesign& design) {
  int most = 0;
  for (const RangeDesign& range : design.ranges) {
    most = std::max(most, range.clamp.clamp.in_series);
  }
  return fmt::format("{} LEDs each way", most);
}

std::string load_words(const DividerDesign& design) {
  return short_number(design.request.load_ohm) + " Ω";
}

/// Sound card outputs, pads, amplifier inputs.
void draw_drive(Drawing& drawing) {
  drawing.box(20, 70, kCardOutRight - 20, 350, "#f4f4f1");
  drawing.text(75, 92, "middle", "Sound card", " font-weight=\"bold\"");
  drawing.text(75, 110, "middle", "its outputs");
  drawing.box(kAmplifierLeft, 70, kAmplifierRight - kAmplifierLeft, 350, "#f4f4f1");
  const double middle = (kAmplifierLeft + kAmplifierRight) / 2;
  drawing.text(middle, 92, "middle", "Amplifier", " font-weight=\"bold\"");
  drawing.text(kAmplifierLeft + 18, 270, "start", "line or");
  drawing.text(kAmplifierLeft + 18, 287, "start", "phono in");
  for (const Side side : {Side::kLeft, Side::kRight}) {
    const double y = side == Side::kLeft ? 200 : 350;
    const std::string letter = side == Side::kLeft ? "L" : "R";
    drawing.wire(points(kCardOutRight, y, kAmplifierLeft, y), side);
    drawing.box(kPadLeft, y - 24, kPadRight - kPadLeft, 48);
    drawing.text((kPadLeft + kPadRight) / 2, y - 3, "middle", "pad");
    drawing.text((kPadLeft + kPadRight) / 2, y + 14, "middle", "R3, R4");
    drawing.socket(kCardOutRight, y, side, letter);
    drawing.socket(kAmplifierLeft, y, side, letter);
  }
}

void draw_input_box(Drawing& drawing) {
  drawing.box(kCardInLeft, 70, 110, 350, "#f4f4f1");
  drawing.text(kCardInLeft + 60, 92, "middle", "Sound card", " font-weight=\"bold\"");
  drawing.text(kCardInLeft + 60, 110, "middle", "its inputs");
}

/// One channel of an output whose minus is at chassis.
void draw_channel(Drawing& drawing, const DividerDesign& design, Side side) {
  const double plus_y = side == Side::kLeft ? 140 : 300, minus_y = plus_y + 100;
  const std::string letter = side == Side::kLeft ? "L" : "R";
  drawing.wire(points(kAmplifierRight, plus_y, kCardInLeft, plus_y), side);
  drawing.wire(points(kAmplifierRight, minus_y, kCardInLeft, minus_y));
  drawing.wire(points(kLoadX, plus_y, kLoadX, minus_y));
  drawing.box(kLoadX - 8, plus_y + 26, 16, 48);
  drawing.text(kLoadX + 15, plus_y + 47, "start", "load");
  drawing.text(kLoadX + 15, plus_y + 64, "start", load_words(design));
  draw_top(drawing, design, plus_y);
  label_top(drawing, design, plus_y - 16);
  draw_bottom(drawing, design, plus_y, minus_y);
  drawing.text(kCardInLeft - 16, minus_y + 17, "end", clamp_words(design));
  drawing.node(kLoadX, plus_y);
  drawing.node(kLoadX, minus_y);
  drawing.node(kChassisX, minus_y);
  drawing.chassis(kChassisX, minus_y);
  drawing.socket(kAmplifierRight, plus_y, side, letter);
  drawing.text(kAmplifierRight - 16, plus_y + 4, "end", "+");
  drawing.text(kAmplifierRight - 16, minus_y + 4, "end", "−");
  drawing.node(kAmplifierRight, minus_y);
  drawing.socket(kCardInLeft, plus_y, side, letter);
  drawing.text(kCardInLeft + 8, minus_y + 4, "start", "screen");
  drawing.node(kCardInLeft, minus_y);
}

/// Both terminals of one bridged output, each with a divider of its own.
void draw_bridged(Drawing& drawing, const DividerDesign& design) {
  constexpr double kUpper = 140, kLower = 360, kCommon = 250;
  drawing.wire(points(kAmplifierRight, kUpper, kCardInLeft, kUpper));
  drawing.wire(points(kAmplifierRight, kLower, kCardInLeft, kLower), Side::kRight);
  drawing.wire(points(kLoadX, kUpper, kLoadX, kLower));
  drawing.box(kLoadX - 8, kCommon - 40, 16, 80);
  drawing.text(kLoadX + 15, kCommon - 3, "start", "load " + load_words(design));
  drawing.node(kLoadX, kUpper);
  drawing.node(kLoadX, kLower);
  drawing.wire(points(kAmplifierRight, kCommon, kChassisX, kCommon));
  drawing.chassis(kChassisX, kCommon);
  drawing.text(kAmplifierRight - 8, kCommon + 4, "end", "chassis");
  drawing.node(kAmplifierRight, kCommon);
  drawing.wire(points(kTapX - 45, kCommon, kCardInLeft, kCommon));
  drawing.chassis(kTapX - 45, kCommon);
  draw_top(drawing, design, kUpper);
  draw_top(drawing, design, kLower);
  label_top(drawing, design, kUpper - 16);
  label_top(drawing, design, kLower + 26);
  draw_bottom(drawing, design, kUpper, kCommon);
  draw_bottom(drawing, design, kLower, kCommon);
  drawing.text(kCardInLeft - 16, kUpper - 34, "end", clamp_words(design));
  drawing.text(kCardInLeft - 16, kLower + 44, "end", clamp_words(design));
  drawing.socket(kAmplifierRight, kUpper, Side::kLeft, "A");
  drawing.socket(kAmplifierRight, kLower, Side::kRight, "B");
  drawing.socket(kCardInLeft, kUpper, Side::kLeft, "L");
  drawing.socket(kCardInLeft, kLower, Side::kRight, "R");
  drawing.text(kCardInLeft + 8, kCommon + 4, "start", "screens");
  drawing.node(kCardInLeft, kCommon);
}

void draw_row(Drawing& drawing, double y, const std::vector<double>& columns,
              const std::vector<std::string>& cells, const std::string& more = {}) {
  for (std::size_t i = 0; i < cells.size(); ++i) {
    drawing.text(columns[i], y, "start", cells[i], more);
  }
}

void draw_values(Drawing& drawing, const DividerDesign& design) {
  const std::vector<double> columns = {20, 75, 165, 240, 310, 450};
  const std::string bold = " font-weight=\"bold\"";
  double y = kTableTop;
  draw_row(drawing, y, columns, {"range", "R1", "R2", "ratio", "full scale", "source"}, bold);
  for (const RangeDesign& range : design.ranges) {
    y += kLineHeight;
    draw_row(drawing, y, columns,
             {range.name, top_text(range.pair), ohm_text(range.pair.bottom_ohm),
              significant(range.ratio, 4),
              fmt::format("{} V, {} W", significant(range.full_scale_vrms, 3),
                          significant(range.full_scale_w, 3)),
              ohm_text(std::round(range.source_ohm))});
  }
  const std::vector<double> pad_columns = {550, 610, 690, 770, 850, 930};
  y = kTableTop;
  draw_row(drawing, y, pad_columns, {"pad", "R3", "R4", "loses", "full scale", "source"}, bold);
  for (const PadDesign& pad : design.pads) {
    y += kLineHeight;
    draw_row(
        drawing, y, pad_columns,
        {pad.name, ohm_text(pad.top_ohm), ohm_text(pad.bottom_ohm),
         fmt::format("{:.1f} dB", pad.attenuation_db),
         format_value(pad.full_scale_vrms, Unit::kVolt), ohm_text(std::round(pad.source_ohm))});
  }
}

std::vector<std::string> notes(const DividerDesign& design) {
  const std::string rail = short_number(design.request.rail_v);
  std::vector<std::string> lines = {
      "Left: white, round, solid line. Right: red, square, dashed line. R3 in series with the tip, "
      "R4 from the tip to the screen behind it."};
  if (design.request.is_bridged) {
    lines.push_back(
        "BRIDGED: A and B are both live. Neither touches chassis, a screen or the minus of a "
        "divider. Volts in the load are left minus right.");
  } else {
    lines.push_back(
        "Both minus terminals must be at chassis: check with a meter before connecting, and that "
        "the output is not bridged.");
  }
  lines.push_back("Loudspeakers unplugged. A fault may put " + rail +
                  " V on an output: measure its DC before the divider is connected.");
  lines.push_back(
      fmt::format("One R1, R2 pair a range: start on high. Low only while the output "
                  "stays below {} W: hum, noise, small signals.",
                  significant(design.ranges.back().full_scale_w, 3)));
  lines.push_back(
      "LEDs: red, in the dark. They hold the input if R2 opens. Prove by loopback that THD is the "
      "same with and without them.");
  lines.push_back(
      "Rails kill and capacitors hold charge: clips are placed with the power off. Local codes and "
      "licensed practice prevail.");
  return lines;
}

}  // namespace

std::string wiring_svg(const DividerDesign& design) {
  const DividerRequest& request = design.request;
  const std::string title = fmt::format(
      "Divider for {} W into {} Ω{}, rails {} V, input {} V RMS", short_number(request.power_w),
      short_number(request.load_ohm), request.is_bridged ? ", bridged output" : "",
      short_number(request.rail_v), short_number(request.input_full_scale_vrms));
  Drawing drawing(title);
  drawing.text(20, 36, "start", title, " font-size=\"19\" font-weight=\"bold\"");
  draw_drive(drawing);
  draw_input_box(drawing);
  if (request.is_bridged) {
    draw_bridged(drawing, design);
  } else {
    draw_channel(drawing, design, Side::kLeft);
    draw_channel(drawing, design, Side::kRight);
  }
  draw_values(drawing, design);
  double y = kTableTop + 5 * kLineHeight;
  for (const std::string& line : notes(design)) {
    drawing.text(20, y, "start", line);
    y += kLineHeight + 1;
  }
  return drawing.finish();
}

}  // namespace sinewright
