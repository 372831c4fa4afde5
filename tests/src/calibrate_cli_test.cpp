// sinewright calibrate as scripts run it: every answer an option, nobody at the terminal.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <string>

#include "bench/profile.h"
#include "device/bench_parts.h"
#include "device/scenario.h"
#include "program_run.h"
#include "temporary_folder.h"
#include "within.h"

namespace sinewright {
namespace {

const std::string kScenario =
    std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/larkfield-lr62-as-left.toml";
const std::string kSimulated = " --simulate " + kScenario + " --simulated-parts 11";
constexpr int kParts = 11;
const std::string kMeter = " --meter-percent 0.8 --meter-digits 1 --meter-resolution 0.001";

const std::string kStart =
    " --range high=20 --range low=1 --input-full-scale-volts 2 --output-full-scale-volts 2"
    " --load-ohm 8 --load-watts 150 --limit-watts 90";

/// A nominal profile in a folder of its own.
struct Bench {
  Bench() {
    const ProgramRun start = run_program("calibrate start --bench '" + path + "'" + kStart);
    CAPTURE(start.error);
    REQUIRE(start.code == 0);
  }
  [[nodiscard]] ProgramRun calibrate(const std::string& step, const std::string& options) const {
    return run_program("calibrate " + step + " --bench '" + path + "' " + options);
  }
  [[nodiscard]] Profile profile() const { return read_profile(path); }

  TemporaryFolder folder;
  std::string path = folder / "bench.toml";
};

void check_refused(const ProgramRun& run, int code, const std::string& part) {
  CAPTURE(run.error);
  CHECK(run.code == code);
  CHECK(run.error.find(part) != std::string::npos);
  const auto last = run.error.rfind("sinewright: ");
  REQUIRE(last != std::string::npos);
  CHECK(std::count(run.error.begin() + static_cast<std::ptrdiff_t>(last), run.error.end(), '\n') ==
        1);
  CHECK(run.out.empty());
}

}  // namespace

TEST_CASE("calibrate: every step on drawn parts, without a person") {
  const Bench bench;
  const std::string nominal = contents_of(bench.path);
  for (const char* step :
       {"output", "input --range high", "input --range low", "load", "loopback"}) {
    CAPTURE(step);
    const std::string before = contents_of(bench.path);
    const ProgramRun run = bench.calibrate(step, kSimulated);
    CAPTURE(run.error);
    REQUIRE(run.code == 0);
    CHECK(contents_of(bench.path) != before);
    CHECK(contents_of(bench.path + ".previous") == before);
  }
  Scenario scenario = read_scenario(kScenario);
  scenario.parts = random_parts(kParts, scenario.ranges.size());
  const Profile profile = bench.profile();
  REQUIRE(profile.load.calibration);
  REQUIRE(profile.output_calibration);
  REQUIRE(profile.loopback);
  // Not all 66: at -1 dBFS these parts may clip the input.
  CHECK(profile.loopback->tones.size() >= 50);
  CHECK(profile.loopback->input_noise_dbfs);
  CHECK(profile.loopback->output_tones.size() == 20);
  for (std::size_t range = 0; range < 2; ++range) {
    REQUIRE(profile.ranges[range].calibration);
    for (std::size_t c = 0; c < 2; ++c) {
      REQUIRE(profile.ranges[range].calibration->channels[c]);
      const double truth = scenario.sound_card.input_full_scale_vrms *
                           scenario.parts.input_scale[c] * scenario.ranges[range].ratio *
                           scenario.parts.ratio(range)[c];
      const ScaleCalibration& found = *profile.ranges[range].calibration->channels[c];
      CHECK(within(found.full_scale_vrms / truth, 1, 0.008 + 0.0005 / found.meter_v + 1e-4));
      // Half a percent of the ohmmeter, and two displays of half a step of 0.01 ohm.
      const double load_ohm = scenario.load_ohm * scenario.parts.load_scale[c];
      CHECK(within(profile.load.calibration->resistance_ohm[c], load_ohm, 0.005 * load_ohm + 0.01));
    }
  }
  const ProgramRun show = bench.calibrate("show", "--watts 10 --thd 0.02");
  CHECK(show.code == 0);
  for (const char* part : {"meter at calibration", "Sensitivity", "k = ", "rectangular", "10 W at",
                           "THD of 0.02 %", "input, range low, right", "input alone"}) {
    CAPTURE(part);
    CHECK(show.out.find(part) != std::string::npos);
  }
}

TEST_CASE("calibrate start: refuses to overwrite, and what makes no bench") {
  const Bench bench;
  const std::string before = contents_of(bench.path);
  check_refused(bench.calibrate("start", kStart), 5, "exists already");
  CHECK(contents_of(bench.path) == before);
  const std::string other = bench.folder / "other.toml";
  const auto refuses = [&](const std::string& options, const std::string& part) {
    check_refused(run_program("calibrate start --bench '" + other + "'" + options), 2, part);
    CHECK_FALSE(std::filesystem::exists(other));
  };
  refuses("", "--range");
  refuses(" --range high", "NAME=RATIO");
  refuses(kStart + " --range high=3", "twice");
  refuses(kStart + " --load-seconds 10", "go together");
  refuses(kStart + " --load-seconds 10 --load-continuous-watts 150", "must be less than");
  std::string limit = kStart;
  refuses(limit.replace(limit.find("--limit-watts 90"), 16, "--limit-watts 200"), "above the 150");
  check_refused(run_program("calibrate start" + kStart), 2, "--bench");
  std::string turned = kStart;
  turned.replace(turned.find(" --range high=20 --range low=1"), 30,
                 " --range low=1 --range high=20");
  const ProgramRun run = run_program("calibrate start --bench '" + other + "'" + turned);
  CAPTURE(run.error);
  REQUIRE(run.code == 0);
  CHECK(read_profile(other).ranges.front().name == "high");
}

TEST_CASE("calibrate: a script states every answer") {
  const Bench bench;
  const ProgramRun load = bench.calibrate(
      "load",
      "--meter-percent 0.5 --meter-digits 2 --meter-resolution-ohm 0.01 --leads 0.14 "
      "--left 8.19 --right 8.17 --hot --load-watts 120 --confirmed");
  CAPTURE(load.error);
  REQUIRE(load.code == 0);
  const Profile profile = bench.profile();
  CHECK(within(profile.load.calibration->resistance_ohm[0], 8.05, 1e-9));
  CHECK(profile.load.calibration->temperature_rise_k == 0);
  CHECK(profile.load.rated_w == 120);
}

TEST_CASE("calibrate: nonsense and missing answers are refused, and nothing is written") {
  const Bench bench;
  const std::string before = contents_of(bench.path);
  const auto refuses = [&](const std::string& step, const std::string& options, int code,
                           const std::string& part) {
    CAPTURE(step + options);
    check_refused(bench.calibrate(step, options), code, part);
    CHECK(contents_of(bench.path) == before);
    CHECK_FALSE(std::filesystem::exists(bench.path + ".previous"));
  };
  refuses("input", kSimulated + kMeter + " --meter-left 1412", 5, "mV");
  refuses("input", kSimulated + kMeter + " --meter-left 0", 5, "AC volts");
  refuses("input", kSimulated + " --range middle", 2, "it has high, low");
  refuses("output", kSimulated + " --meter-left 0.3", 5, "profile says");
  refuses("load", kSimulated + " --left 8190", 5, "lowest ohm range");
  refuses("load", " --left 8.1 --right 8.1 --leads 0.1 --confirmed", 2, "--meter-percent");
  refuses(
      "load",
      " --meter-percent 0.5 --meter-digits 2 --meter-resolution-ohm 0.01 --left 8.1 --right 8.1", 5,
      "--confirmed");
  refuses("load", kSimulated + " --load-watts 10", 2, "power limit");
  refuses("load", kSimulated + " --load-seconds 10 --load-continuous-watts 150", 2,
          "must be less than");
  CHECK(run_program("calibrate input" + kSimulated).code == 2);
  CHECK(run_program("calibrate").code == 2);
  CHECK(run_program("calibrate frobnicate").code == 2);
}

TEST_CASE("calibrate: interrupted midway, the profile is as it was") {
  const Bench bench;
  const std::string before = contents_of(bench.path);
  const ProgramRun run = run_shell(
      "timeout --preserve-status -s INT 2 \"$P\" calibrate loopback --real-time --bench '" +
      bench.path + "'" + kSimulated);
  CHECK(run.code == 1);
  CHECK(run.error.find("interrupted") != std::string::npos);
  CHECK(contents_of(bench.path) == before);
  CHECK_FALSE(std::filesystem::exists(bench.path + ".previous"));
}

TEST_CASE("calibrate show: a nominal bench says which step is missing") {
  const Bench bench;
  const ProgramRun show = bench.calibrate("show", "");
  CHECK(show.code == 0);
  CHECK(show.out.find("run calibrate input") != std::string::npos);
  CHECK(show.out.find("run calibrate loopback") != std::string::npos);
}

}  // namespace sinewright
