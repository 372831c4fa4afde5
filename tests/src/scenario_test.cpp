#include "device/scenario.h"

#include <doctest/doctest.h>

#include <fstream>
#include <iterator>

#include "bench/profile.h"
#include "dsp/units.h"
#include "findings/error.h"
#include "within.h"

namespace sinewright {
namespace {

std::string as_left_text() {
  std::ifstream file(SINEWRIGHT_SOURCE_DIR "/calibration/larkfield-lr62-as-left.toml");
  return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
}

std::string with(const std::string& from, const std::string& to) {
  std::string text = as_left_text();
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

std::string message_of(const std::string& text) {
  try {
    (void)parse_scenario(text, "bench.toml");
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kInput);
    return error.what();
  }
  return "";
}

TEST_CASE("the scenarios in calibration/ are valid and marked as invented") {
  for (const char* state : {"as-left", "as-found"}) {
    const Scenario scenario = read_scenario(std::string(SINEWRIGHT_SOURCE_DIR) +
                                            "/calibration/larkfield-lr62-" + state + ".toml");
    CHECK(scenario.name.find("invented") != std::string::npos);
    CHECK(scenario.ranges.size() == 2);
  }
}

TEST_CASE("the simulated bench's profile tells the truth about both scenarios") {
  const std::string folder = SINEWRIGHT_SOURCE_DIR "/calibration/";
  const Profile profile = read_profile(folder + "simulated-bench.toml");
  for (const char* state : {"as-left", "as-found"}) {
    const Scenario scenario = read_scenario(folder + "larkfield-lr62-" + state + ".toml");
    CHECK(profile.input_full_scale_vrms == scenario.sound_card.input_full_scale_vrms);
    CHECK(profile.output_full_scale_vrms == scenario.sound_card.output_full_scale_vrms);
    CHECK(profile.load.resistance_ohm == scenario.load_ohm);
    REQUIRE(profile.ranges.size() == scenario.ranges.size());
    for (const Range& range : profile.ranges) {
      CHECK(range.ratio == scenario.range(range.name).ratio);
    }
  }
}

TEST_CASE("a bad scenario is refused in one line that names file, line, column and key") {
  struct Row {
    std::string text;
    const char* place;
    const char* what;
  };
  const Row rows[] = {
      {with("load_ohm = 8.0", "load_ohms = 8.0"), "bench.toml:1:1: ", "load_ohm: missing"},
      {with("load_ohm = 8.0", "load_ohm = 8.0\nmass_kg = 11"),
       "bench.toml:8:1: ", "mass_kg: unknown"},
      {with("load_ohm = 8.0", "load_ohm = 0.5"), "bench.toml:7:12: ", "0.5: must be 1 to 1000"},
      {with("load_ohm = 8.0", "load_ohm = nan"), "bench.toml:7:12: ", "must be 1 to 1000"},
      {with("load_ohm = 8.0", "load_ohm = \"8\""), "bench.toml:7:12: ", "not a number"},
      {with("load_ohm = 8.0", "load_ohm = = 8"), "bench.toml:7:12: ", "not valid TOML"},
      {with("scenario = 1", "scenario = 2"), "bench.toml:4:12: ", "must be 1 to 1"},
      {with("knee_v = 0.9", "knee_v = 0.1"), "bench.toml:", "[receiver.supply] knee_v = 0.1"},
      {with("[[range]]", "[range]"), "bench.toml:", ""},
      {with("position_db = [-80.0,", "position_db = [-50.0,"), "bench.toml:", "must rise"},
      {with("order = [1, 2,", "order = [1.5, 2,"), "bench.toml:", "order not whole"},
      {with("order = [1, 2,", "order = [2,"), "bench.toml:", "differ in length"},
      {"", "bench.toml:", "scenario: missing"},
  };
  for (const Row& row : rows) {
    const std::string message = message_of(row.text);
    CAPTURE(message);
    CHECK(message.rfind(row.place, 0) == 0);
    CHECK(message.find(row.what) != std::string::npos);
    CHECK(message.find('\n') == std::string::npos);
  }
}

TEST_CASE("a scenario file that is not there is named") {
  CHECK_THROWS_WITH_AS((void)read_scenario("no/such.toml"),
                       doctest::Contains("no/such.toml: no such scenario file"), Error);
}

TEST_CASE("volume tracking runs straight between the table's points and holds beyond them") {
  const Scenario scenario = parse_scenario(as_left_text(), "bench.toml");
  const auto error_db = [&](double position_db) {
    return db_of_amplitude_ratio(scenario.volume_gain(position_db, kLeft) /
                                 scenario.volume_gain(position_db, kRight));
  };
  constexpr double kRounding = 1e-9;
  CHECK(within(error_db(-60), -0.9, kRounding));
  CHECK(within(error_db(-25), (0.25 + 0.12) / 2, kRounding));
  CHECK(within(error_db(-110), 2.1, kRounding));
  CHECK(within(error_db(0), 0, kRounding));
}

TEST_CASE("a range that is not there is refused with the names there are") {
  const Scenario scenario = parse_scenario(as_left_text(), "bench.toml");
  CHECK(scenario.range("low").ratio == 1);
  CHECK_THROWS_WITH_AS((void)scenario.range("middle"), doctest::Contains("high, low"), Error);
}

}  // namespace
}  // namespace sinewright
