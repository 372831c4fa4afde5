// The bench profile and the chain: conversions against plain facts, and every way to get it wrong.
#include "bench/profile.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "findings/error.h"
#include "within.h"

namespace sinewright {
namespace {

const std::string kGood = R"(version = 1
name = "bench"
[sound_card]
sample_rate_hz = 48000
input_full_scale_vrms = 2.0
output_full_scale_vrms = 1.5
[[range]]
name = "low"
ratio = 3
[[range]]
name = "high"
ratio = 34.0
[load]
resistance_ohm = 8.0
rated_w = 150.0
[limits]
power_limit_w = 90.0
)";

std::string with(const std::string& from, const std::string& to) {
  std::string text = kGood;
  const auto at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

std::string error_of(const std::string& text) {
  try {
    static_cast<void>(parse_profile(text, "bench.toml"));
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kInput);
    return error.what();
  }
  return "no error";
}

constexpr double kRounding = 1e-12;  // a handful of double operations near 1 to 100

TEST_CASE("a profile is read whole, ranges by falling ratio") {
  const Profile profile = parse_profile(kGood, "bench.toml");
  CHECK(profile.name == "bench");
  CHECK(profile.input_device.empty());
  CHECK(profile.sample_rate_hz == 48000);
  CHECK(profile.input_full_scale_vrms == 2.0);
  CHECK(profile.output_full_scale_vrms == 1.5);
  REQUIRE(profile.ranges.size() == 2);
  CHECK(profile.ranges[0].name == "high");
  CHECK(profile.ranges[1].ratio == 3.0);
  CHECK(profile.load.resistance_ohm == 8.0);
  CHECK(profile.load.rated_w == 150.0);
  CHECK(profile.power_limit_w == 90.0);
}

TEST_CASE("the hash names the bytes") {
  const Profile profile = parse_profile(kGood, "a");
  CHECK(profile.hash.size() == 16);
  CHECK(profile.hash == parse_profile(kGood, "b").hash);
  CHECK(profile.hash != parse_profile(kGood + "# a comment\n", "a").hash);
}

TEST_CASE("2.83 V in 8 ohm is 1 W, and full scale is input volts times ratio") {
  // Common practice, no source: 2.83 V is the printed rounding of sqrt(8) V.
  const Chain chain(parse_profile(kGood, "bench.toml"), "low");
  CHECK(within(chain.watts_of_volts(2.83, 0), 1.0, 0.002));
  CHECK(within(chain.volts_of_watts(1.0, 0), 2.8284271247461901, kRounding));
  CHECK(within(chain.volts_of_rms(std::sqrt(0.5), 0), 6.0, kRounding));
  CHECK(within(chain.dbfs_of_volts(6.0, 0), 0.0, kRounding));
  CHECK(within(chain.dbfs_of_volts(0.6, 0), -20.0, kRounding));
}

TEST_CASE("an empty range takes the first; a wrong one lists those there are") {
  const Profile profile = parse_profile(kGood, "bench.toml");
  CHECK(Chain(profile, "").range().name == "high");
  try {
    const Chain chain(profile, "middle");
    FAIL("accepted");
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kUsage);
    CHECK(std::string(error.what()) ==
          "range 'middle' is not in bench profile 'bench'; it has high, low");
  }
}

TEST_CASE("each mistake gets one line with file, line, column, and what to do") {
  struct Case {
    std::string text, begins, says;
  };
  const Case cases[] = {
      {"", "bench.toml:1:1: ", "'version' is missing"},
      {with("version = 1\n", ""), "bench.toml:1:1: ", "'version' is missing"},
      {with("version = 1", "version = 2\nlater = true"), "bench.toml:1:11: ", "version 2 is later"},
      {with("version = 1", "version = 0"), "bench.toml:1:11: ", "does not exist"},
      {with("version = 1", "version = 1.0"), "bench.toml:1:11: ", "whole number"},
      {with("name = \"bench\"", "name = 3"), "bench.toml:2:8: ", "wrong type"},
      {with("name = \"bench\"", "name = \"\""), "bench.toml:2:8: ", "is empty"},
      {with("[sound_card]", "colour = \"red\"\n[sound_card]"),
       "bench.toml:3:1: ", "unknown key 'colour' in the profile"},
      {with("sample_rate_hz", "sample_rate"), "bench.toml:4:1: ", "unknown key 'sample_rate'"},
      {with("sample_rate_hz = 48000\n", ""), "bench.toml:3:1: ", "'sample_rate_hz' is missing"},
      {with("48000", "48"), "bench.toml:4:18: ", "at least 8000"},
      {with("48000", "nan"), "bench.toml:4:18: ", "not finite"},
      {with("= 2.0", "= inf"), "bench.toml:5:25: ", "not finite"},
      {with("= 2.0", "= \"2 V\""), "bench.toml:5:25: ", "without quotes or unit"},
      {with("= 2.0", "= true"), "bench.toml:5:25: ", "wrong type"},
      {with("ratio = 34.0", "ratio = 0"), "bench.toml:12:9: ", "above 0"},
      {with("ratio = 3\n", "ratio = 3\ngain = 1\n"), "bench.toml:10:1: ", "unknown key 'gain'"},
      {with("name = \"high\"", "name = \"low\""), "bench.toml:11:8: ", "a second range"},
      {with("= 8.0", "= -8.0"), "bench.toml:14:18: ", "above 0"},
      {with("[load]\n", "[loads]\n"), "bench.toml:13:2: ", "unknown key 'loads'"},
      {with("= 90.0", "= 200.0"), "bench.toml:17:17: ", "above the 150 W"},
      {with("[load]", "[load"), "bench.toml:", "not valid TOML"},
      {with("version = 1", "version = 1\nversion = 1"), "bench.toml:2:", "not valid TOML"},
      {std::string("\0\xff\xfe\n", 4), "bench.toml:1:", "not valid TOML"},
  };
  for (const Case& each : cases) {
    const std::string text = error_of(each.text);
    CAPTURE(text);
    CHECK(text.rfind(each.begins, 0) == 0);
    CHECK(text.find(each.says) != std::string::npos);
    CHECK(text.find("; ") != std::string::npos);
    CHECK(text.find('\n') == std::string::npos);
  }
}

TEST_CASE("ranges must be a list of tables, one or more") {
  const std::string one_table =
      "version = 1\nname = \"b\"\nrange = []\n" + kGood.substr(kGood.find("[sound_card]"));
  CHECK(error_of(one_table).find("not valid TOML") != std::string::npos);
  std::string none = kGood;
  none.erase(none.find("[[range]]"), none.find("[load]") - none.find("[[range]]"));
  CHECK(error_of(none).find("'range' is missing") != std::string::npos);
  none.insert(none.find("[sound_card]"), "range = 3\n");
  CHECK(error_of(none).find("'range' has the wrong type") != std::string::npos);
}

TEST_CASE("a path that holds no profile is refused with its name") {
  for (const char* path : {"/nonexistent/bench.toml", "/", "/dev/null"}) {
    CAPTURE(path);
    try {
      static_cast<void>(read_profile(path));
      FAIL("accepted");
    } catch (const Error& error) {
      CHECK(error.code() == ExitCode::kInput);
      CHECK(std::string(error.what()).rfind(path, 0) == 0);
    }
  }
}

TEST_CASE("the profiles in calibration/ are sound") {
  const std::string folder = SINEWRIGHT_SOURCE_DIR "/calibration/";
  const Profile simulated = read_profile(folder + "simulated-bench.toml");
  CHECK(simulated.ranges[0].ratio == 20.0);
  CHECK(simulated.ranges[1].ratio == 1.0);
  CHECK(read_profile(folder + "example-bench.toml").ranges.size() == 2);
}

}  // namespace
}  // namespace sinewright
