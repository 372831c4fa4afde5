// Results as text: digits that mean something, left and right abreast, nothing wider than the page.
#include "report/terminal.h"

#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "findings/error.h"
#include "report/axis.h"
#include "report/chart.h"
#include "report/file_output.h"
#include "report/labels.h"
#include "report/numbers.h"
#include "report/summary.h"
#include "sample_findings.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

bool contains(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::vector<std::string> lines_of(const std::string& text) {
  std::istringstream in(text);
  std::vector<std::string> lines;
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  return lines;
}

std::string line_with(const std::string& text, const std::string& part) {
  for (const std::string& line : lines_of(text)) {
    if (contains(line, part)) return line;
  }
  return {};
}

Findings power_sweep() {
  Findings findings;
  findings.measurement = "power";
  for (const std::string channel : {"left", "right"}) {
    for (const std::string key : {"thd_n", "thd"}) {
      Curve curve{key, channel, {"power", "W", true}, {"distortion", "%", true}, {}};
      for (int i = 0; i < 20; ++i) {
        CurvePoint point;
        point.x = 0.05 * std::pow(1.4, i) * (channel == "left" ? 1 : 0.9);
        point.y = 0.01 + (key == "thd_n" ? 0.1 / point.x : 0);
        curve.points.push_back(point);
      }
      findings.curves.push_back(curve);
    }
  }
  return findings;
}

TEST_CASE("values carry the digits of their unit") {
  CHECK(format_value(-78.3142, Unit::kDb) == "-78.31 dB");
  CHECK(format_value(-0.001, Unit::kDb) == "0.00 dB");
  CHECK(format_value(997.00213, Unit::kHertz) == "997.002 Hz");
  CHECK(format_value(19999.87, Unit::kHertz) == "19999.9 Hz");
  CHECK(format_value(0.0123456, Unit::kPercent) == "0.01235 %");
  CHECK(format_value(1e-10, Unit::kPercent) == "1.000e-10 %");
  CHECK(format_value(2.8284, Unit::kVolt) == "2.828 V");
  CHECK(format_value(0.0000123, Unit::kVolt) == "12.30 µV");
  CHECK(format_value(0.0354, Unit::kVolt) == "35.40 mV");
  CHECK(format_value(62.314, Unit::kWatt) == "62.31 W");
  CHECK(format_value(-0.0123, Unit::kDegree) == "-0.01 °");
  CHECK(format_value(3, Unit::kCount) == "3");
  CHECK(format_value(std::nan(""), Unit::kDb) == "-");
}

TEST_CASE("an uncertainty has two digits and sets the decimals of its value (JCGM 100, 7.2.6)") {
  Reading reading = make_reading("level", "left", 20.02134, Unit::kVolt);
  reading.k = 2;
  reading.uncertainty = 0.1234;
  CHECK(format_reading(reading) == "20.02 V ± 0.12");
  reading.value = 0.0000123456;
  reading.uncertainty = 0.00000044;
  CHECK(format_reading(reading) == "12.35 µV ± 0.44");
  reading.uncertainty = 0;
  CHECK(format_reading(reading) == "12.35 µV");
  reading.interval = Interval{0.00001, 0.00002};
  CHECK(format_reading(reading) == "10 to 20 µV");
  reading.uncertainty = 0.00000044;  // one value makes sense: it is shown
  CHECK(format_reading(reading) == "12.35 µV ± 0.44");
  Reading steady = make_reading("level", "left", -23.2109858, Unit::kDbfs);
  steady.uncertainty = 0.0000088;  // no finer than anybody reads, and rounded up
  CHECK(format_reading(steady) == "-23.211 dBFS ± 0.001");
  steady.uncertainty = 0.0042;
  CHECK(format_reading(steady) == "-23.211 dBFS ± 0.005");
  Reading offset = make_reading("dc_offset", "left", 0, Unit::kFullScale);
  offset.uncertainty = 0.0000002;
  CHECK(format_reading(offset) == "0.00000 FS ± 0.00001");
  Reading thd = make_reading("thd", "left", 0.002, Unit::kPercent);
  thd.interval = Interval{0.00123, 0.00312};
  CHECK(format_reading(thd) == "0.0012 to 0.0031 %");
  thd.interval = Interval{0, 0.00312};
  CHECK(format_reading(thd) == "below 0.0031 %");
  thd.unit = Unit::kDb;
  thd.interval = Interval{kNothing_db, -90.12};
  CHECK(format_reading(thd) == "below -90.1 dB");
  thd.interval = Interval{90.12, -kNothing_db};
  CHECK(format_reading(thd) == "above 90.1 dB");
  CHECK(format_reading(Reading{}) == "-");
}

TEST_CASE("keys read as words, unknown ones as themselves") {
  CHECK(reading_label("thd_n") == "THD+N");
  CHECK(reading_label("distortion_limited_output_0.1_percent") ==
        "Distortion-limited output, 0.1 %");
  CHECK(reading_label("thd_next") == "thd_next");
  CHECK(measurement_label("two_tones") == "Two tones");
  CHECK(channel_label("3") == "Channel 3");
  CHECK(condition_text({"band_hz", std::vector<double>{20, 20000}}) == "band 20 Hz to 20 kHz");
  CHECK(condition_text({"load_ohm", 8.0}) == "load 8 ohm");
  CHECK(condition_text({"volume", std::monostate{}}).empty());
  CHECK(limit_label("sound_card") == "limited by the sound card");
  CHECK(printable("a\x1b[31m\n") == "a?[31m?");
}

TEST_CASE("left and right stand side by side, all units of a key together") {
  const std::string text = render_readings(sample_tone(), TextStyle{});
  const auto lines = lines_of(text);
  CHECK(contains(lines[0], "Left"));
  CHECK(lines[0].find("Left") < lines[0].find("Right"));
  const std::string level = line_with(text, "20.02 V");
  CHECK(level.rfind("Level", 0) == 0);
  CHECK(contains(level, "19.62 V"));
  CHECK(lines[2].find("-12.34 dBFS") == lines[0].find("Left"));
  CHECK(contains(line_with(text, "THD+N"), "-78.31 dB ± 0.20"));
  CHECK(contains(line_with(text, "Hum"), "-110 to -96 dBV [1]"));
  CHECK(contains(text, "[1] limited by the sound card"));
  CHECK(contains(text, "[2] no silence, \"none\" at all"));
  CHECK(contains(line_with(text, "Balance"), "0.17 dB"));
  CHECK(contains(text, "± expanded uncertainty, coverage 95 %, k = 2.00\n"));
  Findings several = sample_tone();
  several.readings[0].uncertainty = 0.1;
  several.readings[0].k = 1.65;
  CHECK(contains(render_readings(several, TextStyle{}), "k = 1.65 to 2.00\n"));
}

TEST_CASE("cautions say in words where and when") {
  const std::string text = render_cautions(sample_tone().cautions, TextStyle{});
  CHECK(contains(text, "Caution: Left: lower the input gain (at 3.250 s)\n"));
  CHECK(contains(text, "Caution: record longer\n"));
}

TEST_CASE("harmonics: both channels abreast, none invented") {
  const std::string text = render_harmonics(sample_tone(), TextStyle{});
  CHECK(contains(line_with(text, "1994.00"), "-84.10"));
  // The third is in the noise in every channel: it has no row.
  CHECK_FALSE(contains(text, "2991.00"));
  CHECK(render_harmonics(sample_response(), TextStyle{}).empty());
}

TEST_CASE("no line is wider than the page, and without colour there is no escape sequence") {
  Findings wordy = sample_tone();
  std::string long_text;
  for (int i = 0; i < 60; ++i) long_text += "lower the gain ";
  wordy.cautions[0].text = long_text;
  wordy.conditions.push_back({"input_termination", long_text});
  RecordingsSummary summary;
  summary.add(sample_recording("/bench/" + std::string(120, 'x') + "-07.wav"));
  for (const int width : {60, 100}) {
    TextStyle style;
    style.width = width;
    std::string text =
        render_findings(sample_response(), style) + render_charts(power_sweep(), style);
    if (width == 100) {
      text += render_findings(wordy, style) + render_findings(power_sweep(), style) +
              summary.render(style);
    }
    for (const std::string& line : lines_of(text)) {
      CAPTURE(line);
      CHECK(display_width(line) <= width);
    }
    CHECK_FALSE(contains(text, "\x1b"));
  }
  TextStyle colour;
  colour.has_colour = true;
  CHECK(contains(render_findings(sample_response(), colour), "\x1b[36mL\x1b[0m"));
}

TEST_CASE("a chart marks each channel by its letter and labels 20 50 ... 20 k") {
  const Findings response = sample_response();
  const std::string text = render_chart(response.curves, TextStyle{});
  CHECK(contains(text, "Response in dB, over frequency in Hz"));
  const std::string axis = line_with(text, "20 k");
  std::size_t at = 0;
  for (const char* label : {"20", "50", "100", "200", "500", "1 k", "2 k", "5 k", "10 k", "20 k"}) {
    at = axis.find(label, at);
    REQUIRE(at != std::string::npos);
    at += std::string(label).size();
  }
  // At 20 Hz, the left edge, the left channel stands a dB above the right one.
  const auto lines = lines_of(text);
  int left_row = 0, right_row = 0;
  for (int i = 1; i < static_cast<int>(lines.size()); ++i) {
    if (contains(lines[static_cast<std::size_t>(i)], "|L")) left_row = i;
    if (contains(lines[static_cast<std::size_t>(i)], "|R")) right_row = i;
  }
  CHECK(left_row > 0);
  CHECK(left_row < right_row);
  CHECK(contains(text, "#"));  // both at 0 dB above
  CHECK(contains(text, "L  Left    R  Right"));
  CHECK(render_chart(std::vector<Curve>{}, TextStyle{}).empty());
}

TEST_CASE("axes: a grid line for each digit, labels at 1 2 5") {
  const PlotAxis axis(19.953, 20000, true);
  CHECK(axis.low() == 20);
  CHECK(axis.high() == 20000);
  CHECK(axis.position(19.953) == 0);
  CHECK(axis.ticks().size() == 28);  // 20 ... 90, 100 ... 900, 1 k ... 9 k, 10 k, 20 k
  const PlotAxis linear(-1.34, 0.02, false, 2);
  CHECK(linear.low() <= -1.34);
  CHECK(linear.high() >= 0.02);
  CHECK(linear.high() - linear.low() >= 2);
  const PlotAxis flat(5, 5, false);
  CHECK(flat.low() < 5);
  CHECK(flat.high() > 5);
  const PlotAxis point(1000, 1000, true);
  CHECK(point.low() < 1000);
  CHECK(point.high() > 1000);
}

TEST_CASE("curves share a table; where x differs by channel each has its own column") {
  const std::string response = render_curve_tables(sample_response(), TextStyle{});
  const std::string heading = lines_of(response)[0];
  CHECK(heading.find("Frequency Hz") < heading.find("L Response dB"));
  CHECK(heading.find("L Response dB") < heading.find("R Response dB"));
  CHECK(contains(heading, "R Response dB"));
  CHECK(heading.find("Frequency Hz") == heading.rfind("Frequency Hz"));
  CHECK(contains(line_with(response, "200.00"), "0.000 ± 0.020"));
  CHECK(contains(line_with(response, "200.00"), "-"));
  const std::string power = render_curve_tables(power_sweep(), TextStyle{});
  CHECK(lines_of(power)[0].find("Power W") != lines_of(power)[0].rfind("Power W"));
  CHECK(lines_of(power).size() == 21);
}

TEST_CASE("the summary has a line for each steady reading, and one for each bad file") {
  RecordingsSummary summary;
  summary.add(sample_recording("/bench/a.wav"));
  summary.add(broken_recording("bad.wav"));
  RecordingFindings many = sample_recording("many.wav");
  many.findings.resize(500, sample_tone());
  summary.add(many);
  const std::string text = summary.render(TextStyle{});
  CHECK(contains(line_with(text, "a.wav"), "20.02 V"));
  CHECK(contains(line_with(text, "a.wav"), "19.62 V"));
  CHECK(contains(line_with(text, "bad.wav"), "Error"));
  CHECK(contains(text, "488 more"));
  CHECK(contains(text, "3 recordings, 1 with an error"));
  CHECK(contains(text, "Error: bad.wav: not an audio file; record it again"));
  CHECK(summary.errors() == 1);
}

// A folder of its own, gone at the end.
struct TemporaryFolder {
  fs::path path = fs::temp_directory_path() / "sinewright-report-test";
  TemporaryFolder() {
    fs::remove_all(path);
    fs::create_directory(path);
  }
  ~TemporaryFolder() { fs::remove_all(path); }
  [[nodiscard]] std::ptrdiff_t files() const {
    return std::distance(fs::directory_iterator(path), fs::directory_iterator());
  }
};

std::string content_of(const fs::path& path) {
  std::ifstream in(path);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST_CASE("the extension chooses the format; another is a usage error that lists them") {
  const TemporaryFolder folder;
  const std::vector<Findings> findings = {sample_response()};
  for (const char* name : {"r.json", "r.csv", "r.svg", "r.txt", "r.JSON"}) {
    write_report(folder.path / name, findings);
  }
  CHECK(content_of(folder.path / "r.json") == content_of(folder.path / "r.JSON"));
  CHECK(content_of(folder.path / "r.svg").rfind("<svg", 0) == 0);
  CHECK(content_of(folder.path / "r.txt").rfind("Frequency response", 0) == 0);
  CHECK(content_of(folder.path / "r.csv").rfind("path,measurement", 0) == 0);
  CHECK(folder.files() == 5);
  for (const char* name : {"r.xml", "r", ".json"}) {
    try {
      write_report(folder.path / name, findings);
      FAIL("accepted");
    } catch (const Error& error) {
      CHECK(error.code() == ExitCode::kUsage);
      CHECK(contains(error.what(), ".json, .csv, .svg or .txt"));
    }
  }
  try {
    write_report(folder.path / "tone.svg", std::vector<Findings>{sample_tone()});
    FAIL("accepted");
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kUsage);
  }
  CHECK(folder.files() == 5);
}

TEST_CASE("a file is whole or not there: what stood before survives a failure") {
  const TemporaryFolder folder;
  const fs::path path = folder.path / "kept.txt";
  write_atomically(path, "before");
  {
    AtomicFile file(path);
    file.stream() << "half of it";
  }
  CHECK(content_of(path) == "before");
  CHECK(folder.files() == 1);
  fs::create_symlink(path, folder.path / "link.txt");
  write_atomically(folder.path / "link.txt", "after");
  CHECK(content_of(path) == "after");
  CHECK(fs::is_symlink(folder.path / "link.txt"));
}

TEST_CASE("what cannot be written is one line with the path") {
  const TemporaryFolder folder;
  const fs::path nowhere = folder.path / "missing" / "r.json";
  for (const fs::path& path : {nowhere, folder.path, fs::path("/dev/full")}) {
    try {
      write_atomically(path, "text");
      FAIL("written");
    } catch (const Error& error) {
      CHECK(error.code() == ExitCode::kFailure);
      CHECK(contains(error.what(), path.string()));
      CHECK_FALSE(contains(error.what(), "\n"));
    }
  }
  CHECK(fs::is_character_file("/dev/full"));
  CHECK(folder.files() == 0);
}

TEST_CASE("the report of a batch appears when it is committed, not before") {
  const TemporaryFolder folder;
  for (const char* name : {"b.json", "b.csv", "b.txt"}) {
    CAPTURE(name);
    const fs::path path = folder.path / name;
    {
      RecordingsFile dropped(path);
      dropped.add(sample_recording("a.wav"));
    }
    CHECK_FALSE(fs::exists(path));
    RecordingsFile file(path);
    file.add(sample_recording("a.wav"));
    file.add(broken_recording("bad.wav"));
    file.commit();
    CHECK(contains(content_of(path), "bad.wav: not an audio file"));
  }
  CHECK(folder.files() == 3);
  CHECK_THROWS_AS(RecordingsFile(folder.path / "b.svg"), Error);
}

}  // namespace
}  // namespace sinewright
