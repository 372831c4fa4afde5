// SVG charts: well-formed, each curve told apart three ways, points where the numbers say.
#include "report/svg.h"

#include <doctest/doctest.h>

#include <set>
#include <string>
#include <vector>

#include "sample_findings.h"

namespace sinewright {
namespace {

std::size_t count(const std::string& text, const std::string& part) {
  std::size_t n = 0;
  for (auto at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++n;
  return n;
}

bool contains(const std::string& text, const std::string& part) { return count(text, part) > 0; }

// Every element closed in order, every attribute quoted: enough of XML for what we write.
bool is_well_formed(const std::string& text) {
  std::vector<std::string> open;
  for (auto at = text.find('<'); at != std::string::npos; at = text.find('<', at + 1)) {
    const auto end = text.find('>', at);
    if (end == std::string::npos) return false;
    const std::string tag = text.substr(at + 1, end - at - 1);
    if (count(tag, "\"") % 2 != 0 || contains(tag, "<")) return false;
    if (tag.front() == '/') {
      if (open.empty() || open.back() != tag.substr(1)) return false;
      open.pop_back();
    } else if (tag.back() != '/') {
      open.push_back(tag.substr(0, tag.find(' ')));
    }
  }
  return open.empty();
}

TEST_CASE("a chart is well-formed, scales, and holds no script or style sheet") {
  const auto curves = sample_response().curves;
  const std::string svg = svg_chart(curves, "Response <of> \"R&D\" 'unit'");
  CHECK(is_well_formed(svg));
  CHECK(contains(svg, "viewBox=\"0 0 800 420\""));
  CHECK(contains(svg, "Response &lt;of&gt; &quot;R&amp;D&quot;"));
  CHECK_FALSE(contains(svg, "<script"));
  CHECK_FALSE(contains(svg, "<style"));
  CHECK_FALSE(contains(svg, " id="));  // several charts may stand in one page
  CHECK_FALSE(contains(svg, "nan"));
}

TEST_CASE("curves differ by colour, dash, mark and label") {
  const std::string svg = svg_chart(sample_response().curves, "Response");
  CHECK(contains(svg, "stroke=\"#0072B2\""));
  CHECK(contains(svg, "stroke=\"#D55E00\""));
  CHECK(contains(svg, "stroke-dasharray=\"7 3\""));
  CHECK(contains(svg, ">Response, Left<"));
  CHECK(contains(svg, ">Response, Right<"));
  CHECK(contains(svg, ">L</text>"));
  CHECK(contains(svg, ">R</text>"));
  CHECK(count(svg, "<circle") == 4 + 1);  // four points of the left channel and the legend
}

TEST_CASE("axes are labelled 20 50 100 ... 20 k with a grid line for each digit") {
  const std::string svg = svg_chart(sample_response().curves, "Response");
  for (const char* label : {"20", "50", "100", "200", "500", "1 k", "2 k", "5 k", "10 k", "20 k"}) {
    CAPTURE(label);
    CHECK(contains(svg, std::string(">") + label + "</text>"));
  }
  CHECK(count(svg, "stroke=\"#e4e4e4\"") == 28 - 10);  // digits without a label
  CHECK(contains(svg, ">Frequency, Hz<"));
  CHECK(contains(svg, ">Level, dB<"));
}

TEST_CASE("points stand at the place of their numbers, and a gap stays a gap") {
  const std::string svg = svg_chart(sample_response().curves, "Response");
  // x from 74 to 726 over three decades: 200 Hz at 74 + 652 / 3. y from -2.5 to 0 dB over 352
  // to 66.
  CHECK(contains(svg, "points=\"80.0,237.6 295.3,66.0 510.7,66.0 726.0,66.0\""));
  CHECK(contains(svg, "points=\"510.7,66.0 726.0,66.0\""));
  CHECK(count(svg, "<polyline") == 2);
}

TEST_CASE("a limited point is hollow, and the chart says by what") {
  const std::string svg = svg_chart(sample_response().curves, "Response");
  CHECK(contains(svg, "Hollow marks: limited by the sound card"));
  CHECK(count(svg, "fill=\"#ffffff\" stroke=\"#0072B2\"") == 1);
}

TEST_CASE("an uncertainty is a capped bar, an interval a broad one that the axis holds") {
  Findings findings = sample_response();
  findings.curves[0].points[1].uncertainty = 0.5;
  findings.curves[1].points[2].uncertainty.reset();
  findings.curves[1].points[2].interval = Interval{-0.5, 1.5};
  const std::string svg = svg_chart(findings.curves, "Response");
  // -3 to 2 dB over 352 to 66: 57.2 a dB; 200 Hz at 295.3, half a dB either way.
  CHECK(contains(svg, "<line x1=\"295.3\" y1=\"209.0\" x2=\"295.3\" y2=\"151.8\""));
  CHECK(contains(svg, "<line x1=\"292.3\" y1=\"209.0\" x2=\"298.3\" y2=\"209.0\""));
  CHECK(count(svg, "stroke-opacity") == 1);
  CHECK(is_well_formed(svg));
}

TEST_CASE("a document stacks charts by what their axes show") {
  Findings findings = sample_response();
  Curve thd = findings.curves[0];
  thd.key = "thd";
  thd.y = {"distortion", "%", true};
  for (CurvePoint& point : thd.points) point.y = 0.01;
  Curve thd_n = thd;
  thd_n.key = "thd_n";
  thd_n.points[1].y = 0;  // has no place on a logarithmic axis
  findings.curves.push_back(thd);
  findings.curves.push_back(thd_n);
  const std::string svg = svg_document(std::vector<Findings>{findings});
  CHECK(is_well_formed(svg));
  CHECK(contains(svg, "viewBox=\"0 0 800 840\""));
  CHECK(contains(svg, ">Frequency response: THD and THD+N</text>"));
  CHECK_FALSE(contains(svg, "inf"));
  CHECK(svg_document(std::vector<Findings>{sample_tone()}).empty());
}

}  // namespace
}  // namespace sinewright
