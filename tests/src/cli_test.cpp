// The program as people and scripts run it: exit codes, one-line errors, machine output, Ctrl-C.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <numbers>
#include <sstream>
#include <string>
#include <vector>

#include "device/recording.h"
#include "program_run.h"

namespace sinewright {
namespace {

const std::string kSource = SINEWRIGHT_SOURCE_DIR;
const std::string kProfile = " --bench " + kSource + "/calibration/simulated-bench.toml";
const std::string kSimulated =
    " --simulate " + kSource + "/calibration/larkfield-lr62-as-left.toml --simulated-volume -21";

void check_is_one_line(const std::string& all) {
  const std::string error = without_watts_warning(all);
  CAPTURE(error);
  CHECK(error.starts_with("sinewright: "));
  CHECK(std::count(error.begin(), error.end(), '\n') == 1);
  CHECK(error.back() == '\n');
}

/// Two channels of a tone at -6 dBFS, in floats.
void write_tone(const std::string& path, double rate_hz, double duration_s, int channels = 2) {
  RecordingWriter writer(path, SampleRate{rate_hz}, channels, SampleFormat::kFloat64, 1);
  std::vector<double> frames;
  const auto count = static_cast<int>(duration_s * rate_hz);
  for (int n = 0; n < count; ++n) {
    const double x = 0.5 * std::sin(2 * std::numbers::pi * 997 * n / rate_hz);
    frames.insert(frames.end(), static_cast<std::size_t>(channels), x);
  }
  writer.write(frames);
  writer.finish();
}

void write_constant(const std::string& path, double value) {
  RecordingWriter writer(path, SampleRate{48000}, 2, SampleFormat::kFloat64, 1);
  writer.write(std::vector<double>(2 * 48000, value));
  writer.finish();
}

void write_text(const std::string& path, const std::string& text) {
  std::ofstream(path, std::ios::binary) << text;
}

nlohmann::json analyzed(const std::string& path) {
  const ProgramRun outcome = run_program("analyze --json '" + path + "'");
  CAPTURE(outcome.error);
  CHECK(outcome.code == 0);
  return nlohmann::json::parse(outcome.out).at("recordings").at(0);
}

bool has_caution(const nlohmann::json& recording, const std::string& code) {
  const auto is_it = [&](const nlohmann::json& caution) { return caution.at("code") == code; };
  const auto& own = recording.at("cautions");
  if (std::any_of(own.begin(), own.end(), is_it)) return true;
  const auto& all = recording.at("findings");
  return std::any_of(all.begin(), all.end(), [&](const nlohmann::json& findings) {
    const auto& its = findings.at("cautions");
    return std::any_of(its.begin(), its.end(), is_it);
  });
}

}  // namespace

TEST_CASE("wrong usage is one line with exit code 2") {
  struct Row {
    std::string arguments, names;
  };
  const std::vector<Row> rows = {
      {"", "no command"},
      {"frobnicate", "frobnicate: no such command"},
      {"--frobnicate", "--frobnicate: no such option"},
      {"measure --frobnicate", "--frobnicate"},
      {"measure --level", "--level"},
      {"measure --frequency abc" + kSimulated, "--frequency abc: not a number"},
      {"measure --frequency nan" + kSimulated, "--frequency nan: not a number"},
      {"measure --frequency 30000" + kSimulated, "not below 24000 Hz, half the rate"},
      {"measure --frequency 997 --level 3" + kSimulated, "--level 3: above 0 dBFS"},
      {"measure --level -20" + kSimulated, "add --frequency"},
      {"measure --count 0" + kSimulated, "--count 0: below 1"},
      {"measure --count 1.5" + kSimulated, "--count 1.5: not a whole number"},
      {"measure --band 20000-20" + kSimulated, "--band 20000-20"},
      {"measure --band 80k" + kSimulated, "half the rate"},
      {"measure --json --csv" + kSimulated, "exclude each other"},
      {"measure --rate 96000" + kProfile + kSimulated, "is for 48000 Hz"},
      {"measure --range middle" + kProfile + kSimulated, "it has high, low"},
      {"measure --range high", "--bench"},
      {"measure --real-time", "--simulate"},
      {"measure --input 0" + kSimulated, "drop one or the other"},
      {"measure --output results.svg" + kSimulated, "no curve"},
      {"measure --limiter maybe" + kSimulated, "give in or out"},
      {"response --output results.bmp" + kSimulated, ".json, .csv, .svg or .txt"},
      {"response --steps-per-octave 4" + kSimulated, "1, 2, 3, 6 or 12"},
      {"response --from 2000 --to 1000" + kSimulated, "lowest first"},
      {"power" + kSimulated, "--bench"},
      {"power --limit-watts 500" + kProfile + kSimulated, "90 W"},
      {"noise --relative-to-watts 62" + kSimulated, "--bench"},
      {"analyze", "PATH is required"},
      {"tone --frequency 1 --frequency 2 --frequency 3 --write x.wav", "one or two tones"},
      {"tone --level -3 --frequency 60 --frequency 7000 --write x.wav", "clip together"},
      {"tone --noise pink --silence --write x.wav", "exclude each other"},
      {"tone --write x.mp3", "'.mp3' names no format"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.arguments);
    const ProgramRun outcome = run_program(row.arguments);
    CHECK(outcome.code == 2);
    CHECK(outcome.out.empty());
    CAPTURE(outcome.error);
    CHECK(outcome.has_error(row.names));
    check_is_one_line(outcome.error);
  }
}

TEST_CASE("a missing profile or scenario is bad input, a missing device is exit code 4") {
  CHECK(run_program("measure --bench nowhere.toml" + kSimulated).code == 3);
  CHECK(run_program("measure --simulate nowhere.toml").code == 3);
  const ProgramRun outcome = run_program("measure --input 'no such device at all'");
  CHECK(outcome.code == 4);
  check_is_one_line(outcome.error);
}

TEST_CASE("what is unsafe, or needs a person who is not there, is refused") {
  for (const std::string& arguments :
       {"response --limiter in" + kSimulated, "power --limiter in" + kProfile + kSimulated,
        "power" + kProfile, std::string("noise")}) {
    CAPTURE(arguments);
    const ProgramRun outcome = run_program(arguments);
    CHECK(outcome.code == 5);
    check_is_one_line(outcome.error);
  }
}

TEST_CASE("recordings that are none give one error each and stop nothing") {
  const TemporaryFolder folder;
  write_tone(folder / "a-good.wav", 48000, 1);
  write_text(folder / "empty.wav", "");
  write_text(folder / "text.wav", "This is not sound.\n");
  const std::string good = contents_of(folder / "a-good.wav");
  write_text(folder / "header.wav", good.substr(0, 44));
  std::string corrupt = good.substr(0, 400);
  std::fill(corrupt.begin() + 12, corrupt.begin() + 60, '\xff');
  write_text(folder / "corrupt.wav", corrupt);
  const std::string path = folder.path().string();

  const ProgramRun outcome =
      run_program("analyze --json '" + path + "' '" + path + "/missing.wav'");
  CHECK(outcome.code == 3);
  const auto recordings = nlohmann::json::parse(outcome.out).at("recordings");
  REQUIRE(recordings.size() == 6);
  for (const auto& recording : recordings) {
    const std::string name = recording.at("path");
    CAPTURE(name);
    const bool is_good = name.ends_with("a-good.wav");
    CHECK(recording.at("status") == (is_good ? "ok" : "error"));
    if (is_good) continue;
    const std::string error = recording.at("error");
    CHECK(error.find('\n') == std::string::npos);
    CHECK(error.find(".wav") != std::string::npos);
  }
}

TEST_CASE("a recording that was cut short is analysed and said to be so") {
  const TemporaryFolder folder;
  write_tone(folder / "whole.wav", 48000, 2);
  const std::string whole = contents_of(folder / "whole.wav");
  write_text(folder / "cut.wav", whole.substr(0, whole.size() / 2));
  CHECK(has_caution(analyzed(folder / "cut.wav"), "truncated"));
}

TEST_CASE("odd but valid recordings never end in a crash or a number that is none") {
  const TemporaryFolder folder;
  write_constant(folder / "zeros.wav", 0);
  write_constant(folder / "dc.wav", 0.25);
  write_constant(folder / "nan.wav", std::numeric_limits<double>::quiet_NaN());
  write_constant(folder / "infinite.wav", std::numeric_limits<double>::infinity());
  write_tone(folder / "8-channels.wav", 48000, 1, 8);
  write_tone(folder / "8k.wav", 8000, 1);
  write_tone(folder / "768k.wav", 768000, 0.5);
  write_tone(folder / "20ms.wav", 48000, 0.02);
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    const std::string path = entry.path().string();
    CAPTURE(path);
    const ProgramRun outcome = run_program("analyze --json '" + path + "'");
    CAPTURE(outcome.error);
    CHECK(outcome.code == 0);
    const auto document = nlohmann::json::parse(outcome.out);
    CHECK(document.at("recordings").size() == 1);
    CHECK(run_program("analyze '" + path + "'").code == 0);
    CHECK(run_program("analyze --details '" + path + "'").code == 0);
  }
  CHECK(has_caution(analyzed(folder / "nan.wav"), "not_finite"));
  CHECK(has_caution(analyzed(folder / "infinite.wav"), "not_finite"));
  CHECK(analyzed(folder / "8-channels.wav").at("channels") == 8);
}

TEST_CASE("JSON of every command satisfies the schema") {
  const TemporaryFolder folder;
  write_tone(folder / "tone.wav", 48000, 1);
  const std::string both = kProfile + kSimulated;
  const std::vector<std::string> commands = {
      "measure --frequency 997 --json" + both,
      "measure --json" + kSimulated,
      "response --from 500 --to 2000 --json" + both,
      "power --from-watts 0.5 --limit-watts 5 --step-db 5 --json" + both,
      "noise --duration 1 --relative-to-watts 62 --json" + both,
      "analyze --json '" + (folder / "tone.wav") + "' nowhere.wav",
  };
  std::string files;
  for (std::size_t i = 0; i < commands.size(); ++i) {
    CAPTURE(commands[i]);
    const ProgramRun outcome = run_program(commands[i]);
    CAPTURE(outcome.error);
    CHECK(outcome.code == (commands[i].starts_with("analyze") ? 3 : 0));
    const std::string file = folder / (std::to_string(i) + ".json");
    write_text(file, outcome.out);
    files += " '" + file + "'";
  }
  const ProgramRun checked =
      run_shell("python3 '" + kSource + "/tests/reference/check_results.py'" + files);
  CAPTURE(checked.out);
  CAPTURE(checked.error);
  CHECK(checked.code == 0);
}

TEST_CASE("readings that follow one another are a JSON object a line") {
  const ProgramRun outcome = run_program("measure --frequency 997 --count 3 --json" + kSimulated);
  CHECK(outcome.code == 0);
  std::istringstream lines(outcome.out);
  int count = 0;
  for (std::string line; std::getline(lines, line); ++count) {
    CHECK(nlohmann::json::parse(line).at("measurement") == "tone");
  }
  CHECK(count == 3);
}

TEST_CASE("Ctrl-C keeps the finished points") {
  const TemporaryFolder folder;
  const std::string file = folder / "kept.json";
  // Real time: 31 points take about 8 s; after 4 s some are done and some are not.
  const ProgramRun outcome = run_shell(
      "timeout --preserve-status -s INT 4 \"$P\" response --confirmed --real-time --json --output "
      "'" +
      file + "'" + kProfile + kSimulated);
  CHECK(outcome.code == 1);
  check_is_one_line(outcome.error);
  CHECK(outcome.has_error("interrupted"));
  const auto findings = nlohmann::json::parse(outcome.out).at("findings").at(0);
  const std::size_t points = findings.at("curves").at(0).at("points").size();
  CHECK(points >= 1);
  CHECK(points < 31);
  CHECK(std::filesystem::exists(file));
}

TEST_CASE("a closed pipe and a full disk are failures, not silence") {
  const ProgramRun closed =
      run_shell("\"$P\" measure --count 50 --frequency 997" + kSimulated + " | head -n 1");
  CHECK(closed.has_error("output closed"));
  if (std::filesystem::exists("/dev/full")) {
    const ProgramRun full = run_program("measure" + kSimulated + " > /dev/full");
    CHECK(full.code == 1);
    check_is_one_line(full.error);
  }
}

TEST_CASE("a tone that was written reads back as it was asked for") {
  const TemporaryFolder folder;
  const std::string path = folder / "tone.wav";
  CHECK(
      run_program("tone --frequency 1234.5 --level -12 --duration 2 --write '" + path + "'").code ==
      0);
  const auto recording = analyzed(path);
  bool has_frequency = false;
  for (const auto& reading : recording.at("findings").at(0).at("readings")) {
    if (reading.at("channel") != "left") continue;
    if (reading.at("key") == "frequency") {
      // A hundredth of a hertz and of a decibel: digits that a person would see.
      CHECK(std::abs(reading.at("value").get<double>() - 1234.5) < 0.01);
      has_frequency = true;
    }
    if (reading.at("key") == "fundamental" && reading.at("unit") == "dBFS") {
      CHECK(std::abs(reading.at("value").get<double>() + 12) < 0.01);
    }
  }
  CHECK(has_frequency);
}

TEST_CASE("each command has help with an example") {
  for (const std::string command :
       {"devices", "tone", "measure", "response", "power", "noise", "analyze", "truth"}) {
    CAPTURE(command);
    const ProgramRun outcome = run_program(command + " --help");
    CHECK(outcome.code == 0);
    CHECK(outcome.out.find("Example:\n  sinewright " + command) != std::string::npos);
  }
  CHECK(run_program("--version").out.starts_with("sinewright "));
}

TEST_CASE("tone at a bench: above -40 dBFS only once the checklist is confirmed") {
  const std::string at_bench = "tone --duration 0.1" + kProfile + kSimulated;
  for (const char* loud : {" --level -39", " --noise pink --level -20", "",
                           " --level -42 --frequency 60 --frequency 7000"}) {
    CAPTURE(loud);
    const ProgramRun outcome = run_program(at_bench + loud);
    CHECK(outcome.code == 5);
    check_is_one_line(outcome.error);
    CHECK(outcome.has_error("docs/safety.md"));
    CHECK(outcome.has_error("--confirmed"));
    CHECK(run_program(at_bench + loud + " --confirmed").code == 0);
  }
  CHECK(run_program(at_bench + " --level -40").code == 0);
  CHECK(run_program(at_bench + " --silence").code == 0);
  // A file drives nothing.
  const TemporaryFolder folder;
  const std::string path = folder / "tone.wav";
  CHECK(run_program("tone --level -3 --duration 0.1" + kProfile + " --write '" + path + "'").code ==
        0);
}

TEST_CASE("tone without a profile plays, and says that nothing is known") {
  const ProgramRun outcome = run_program("tone --level -20 --duration 0.1" + kSimulated);
  CHECK(outcome.code == 0);
  CHECK(outcome.has_error("no bench profile"));
}

}  // namespace sinewright
