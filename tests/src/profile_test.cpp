// The bench profile and the chain: conversions against plain facts, and every way to get it wrong.
#include "bench/profile.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <fstream>
#include <iterator>
#include <string>

#include "bench/fnv_hash.h"
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

// Line 18 on; the range last named, "high", is the one calibrated.
const std::string kCalibrated = kGood + R"(dwell_s = 2.5
[sound_card.output_calibration]
date = 2026-11-25
device = "invented card"
frequency_hz = 325.0
drive_dbfs = -3.0
meter_percent = 0.8
meter_digits = 3
meter_resolution_v = 0.001
left = { full_scale_vrms = 1.5, meter_v = 1.5, level_dbfs = 0.0, repeatability = 1e-5 }
[range.calibration]
date = "2026-11-24"
device = "invented card"
frequency_hz = 325.0
drive_dbfs = -6.0
meter_percent = 0.8
meter_digits = 3
meter_resolution_v = 0.001
[range.calibration.left]
full_scale_vrms = 70.0
meter_v = 7.0
level_dbfs = -20.0
repeatability = 1.2e-5
[range.calibration.right]
full_scale_vrms = 69.0
meter_v = 6.9
level_dbfs = -20
repeatability = 0
[load.calibration]
date = 2026-11-23
meter_percent = 0.5
meter_digits = 2
meter_resolution_ohm = 0.01
left_ohm = 8.03
right_ohm = 7.98
lead_ohm = 0.12
temperature_ppm_per_k = 50
temperature_rise_k = 60
[loopback]
date = 2026-11-22
device = "invented card"
band_low_hz = 20
band_high_hz = 20000
silent_noise_dbfs = [-110.5, -111]
input_noise_dbfs = [-112, -113]
hum = [[1, -120, -121], [3, -125, -124.5]]
[[loopback.tone]]
frequency_hz = 997
drive_dbfs = -1
phase_deg = 0.02
left = { level_dbfs = -1.1, noise_dbfs = -109, floor_dbc = -130, harmonics = [[2, -112, 45], [3, -110, -90]] }
right = { level_dbfs = -1.2, noise_dbfs = -108, floor_dbc = -131, harmonics = [] }
)";

const std::string kOutputTone = R"([[loopback.output_tone]]
frequency_hz = 100
drive_dbfs = -6
phase_deg = 0.5
left = { level_dbfs = -36, noise_dbfs = -109, floor_dbc = -110, harmonics = [[2, -109, 5]] }
right = { level_dbfs = -36.5, noise_dbfs = -108, floor_dbc = -111, harmonics = [] }
)";

std::string with(const std::string& from, const std::string& to,
                 const std::string& original = kGood) {
  std::string text = original;
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

TEST_CASE("a range may state what divider and cable lose; without, nothing") {
  const Profile profile =
      parse_profile(with("ratio = 34.0", "ratio = 34.0\nloss_20khz_db = 0.012"), "bench.toml");
  CHECK(profile.ranges[0].loss_20khz_db == 0.012);
  CHECK(profile.ranges[1].loss_20khz_db == 0);
}

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

TEST_CASE("a calibrated profile is read whole") {
  const Profile profile = parse_profile(kCalibrated, "bench.toml");
  CHECK(profile.dwell_s == 2.5);
  CHECK(profile.stability_percent == 0.1);
  CHECK(profile.clock_ppm == 100);

  REQUIRE(profile.output_calibration);
  CHECK(profile.output_calibration->date == "2026-11-25");
  CHECK(profile.output_calibration->channels[0]->full_scale_vrms == 1.5);
  CHECK_FALSE(profile.output_calibration->channels[1]);

  CHECK_FALSE(profile.ranges[1].calibration);
  REQUIRE(profile.ranges[0].calibration);
  const ScaleCalibrations& range = *profile.ranges[0].calibration;
  CHECK(range.date == "2026-11-24");
  CHECK(range.device == "invented card");
  CHECK(range.frequency_hz == 325);
  CHECK(range.drive_dbfs == -6);
  CHECK(range.meter == MeterAccuracy{0.8, 3, 0.001});
  CHECK(range.channels[0] == ScaleCalibration{70, 7, -20, 1.2e-5});
  CHECK(range.channels[1] == ScaleCalibration{69, 6.9, -20, 0});

  CHECK(profile.load.calibration ==
        LoadCalibration{"2026-11-23", {0.5, 2, 0.01}, {8.03, 7.98}, 0.12, 50, 60});

  REQUIRE(profile.loopback);
  const Loopback& loopback = *profile.loopback;
  CHECK(loopback.silent_noise_dbfs == std::array{-110.5, -111.0});
  CHECK(loopback.input_noise_dbfs == std::array{-112.0, -113.0});
  REQUIRE(loopback.hum.size() == 2);
  CHECK(loopback.hum[1] == LoopbackHum{3, {-125, -124.5}});
  CHECK(loopback.output_tones.empty());
  REQUIRE(loopback.tones.size() == 1);
  const LoopbackTone& tone = loopback.tones[0];
  CHECK(tone.frequency_hz == 997);
  CHECK(tone.phase_deg == 0.02);
  CHECK(tone.channels[0] ==
        LoopbackTone::Channel{-1.1, -109, {{2, -112, 45}, {3, -110, -90}}, -130});
  CHECK(tone.channels[1].harmonics.empty());
}

TEST_CASE("a calibrated channel converts by its own figures, any other by nominal ones") {
  const Chain chain(parse_profile(kCalibrated, "bench.toml"), "high");
  CHECK(chain.full_scale_vrms(0) == 70);
  CHECK(chain.full_scale_vrms(1) == 69);
  CHECK(chain.full_scale_vrms(2) == 68);
  CHECK(chain.load_ohm(0) == 8.03);
  CHECK(chain.load_ohm(2) == 8);
  CHECK(chain.has_calibrated_watts(1));
  CHECK_FALSE(chain.has_calibrated_watts(2));
  CHECK_FALSE(Chain(chain.profile(), "low").has_calibrated_volts(0));
}

TEST_CASE("the right channel may be calibrated alone: an operator can skip the left") {
  const Profile profile = parse_profile(with("left = { full", "right = { full", kCalibrated), "b");
  CHECK_FALSE(profile.output_calibration->channels[0]);
  CHECK(profile.output_calibration->channels[1]);
}

TEST_CASE("the hash is FNV-1a") {
  // Test vectors of its authors, G. Fowler, L. C. Noll, K.-P. Vo; from memory.
  CHECK(fnv_hash("") == "cbf29ce484222325");
  CHECK(fnv_hash("a") == "af63dc4c8601ec8c");
  CHECK(fnv_hash("foobar") == "85944171f73967e8");
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
      {with("ratio = 34.0", "ratio = 0"), "bench.toml:12:9: ", "at least 1e-06"},
      {with("ratio = 3\n", "ratio = 3\ngain = 1\n"), "bench.toml:10:1: ", "unknown key 'gain'"},
      {with("name = \"high\"", "name = \"low\""), "bench.toml:11:8: ", "a second range"},
      {with("= 8.0", "= -8.0"), "bench.toml:14:18: ", "is -8, it must be at least 1e-06"},
      {with("[load]\n", "[loads]\n"), "bench.toml:13:2: ", "unknown key 'loads'"},
      {with("= 90.0", "= 200.0"), "bench.toml:17:17: ", "above the 150 W"},
      // Beyond 2^53 a whole number is still a number.
      {with("ratio = 3\n", "ratio = 9007199254740993\n"), "bench.toml:9:9: ", "at most 1000000"},
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

TEST_CASE("the loop through the divider is read beside the other") {
  const Profile profile = parse_profile(kCalibrated + kOutputTone, "bench.toml");
  REQUIRE(profile.loopback);
  CHECK(profile.loopback->tones.size() == 1);
  REQUIRE(profile.loopback->output_tones.size() == 1);
  const LoopbackTone& tone = profile.loopback->output_tones[0];
  CHECK(tone.frequency_hz == 100.0);
  CHECK(tone.drive_dbfs == -6.0);
  CHECK(tone.channels[0].harmonics == std::vector<ResidualHarmonic>{{2, -109, 5}});
}

TEST_CASE("each mistake in a calibration gets one line with file, line, column, and what to do") {
  struct Case {
    std::string from, to, begins, says;
  };
  const std::string tone = kCalibrated.substr(kCalibrated.find("[[loopback.tone]]"));
  const Case cases[] = {
      {"48000\n", "48000\nstability_percent = 60\n", "5:21: ", "at most 50"},
      {"48000\n", "48000\nclock_ppm = -1\n", "5:13: ", "at least 0"},
      {"= 150.0\n", "= 150.0\nrated_s = 30\n", "16:11: ", "'rated_s' needs 'continuous_w'"},
      {"= 150.0\n", "= 150.0\ncontinuous_w = 30\n", "16:16: ", "'continuous_w' needs 'rated_s'"},
      {"= 150.0\n", "= 150.0\nrated_s = 30\ncontinuous_w = 150\n",
       "17:16: ", "'continuous_w' is 150, not below 'rated_w', 150"},
      {"dwell_s = 2.5", "dwell_s = 0", "18:11: ", "above 0"},
      {"date = 2026-11-25", "date = 2026-11-25T10:00:00", "20:8: ", "write a date"},
      {"date = 2026-11-25", "date = \"2026-02-29\"", "20:8: ", "no date; write it as 2026-11-25"},
      {"date = 2026-11-25", "date = \"25.11.2026\"", "20:8: ", "no date; write it as 2026-11-25"},
      {"date = 2026-11-25", "date = 2026-11-31", "20:1", "not valid TOML"},
      {"date = 2026-11-25\n", "", "19:1: ", "'date' is missing in [sound_card.output_calibration]"},
      {"device = \"invented card\"", "device = \"\"", "21:10: ", "is empty"},
      {"frequency_hz = 325.0", "frequency_hz = -325.0", "22:16: ", "above 0"},
      {"drive_dbfs = -3.0", "drive_dbfs = 3.0", "23:14: ", "at most 0"},
      {"meter_percent = 0.8", "meter_percent = \"0.8 %\"", "24:17: ", "without quotes or unit"},
      {"meter_digits = 3", "meter_digits = -3", "25:16: ", "at least 0"},
      {"meter_resolution_v", "meter_resolution_mv", "26:1: ", "unknown key 'meter_resolution_mv'"},
      {"left = { full", "# left = { full", "19:1: ", "neither 'left' nor 'right' is calibrated"},
      {"meter_v = 1.5, ", "",
       "27:8: ", "'meter_v' is missing in [sound_card.output_calibration.left]"},
      {"{ full_scale_vrms = 1.5", "{ full_scale_vrms = 1.6",
       "27:28: ", "but 1.5 V at 0 dBFS make it"},
      {"full_scale_vrms = 70.0\nmeter_v = 7.0", "full_scale_vrms = \"70 V\"\nmeter_v = 7.0",
       "37:19: ", "without quotes or unit"},
      {"meter_v = 7.0", "meter_v = 7.01", "37:19: ",
       "but 7.01 V at -20 dBFS make it 70.1; undo the edit, or delete [range.calibration.left]"},
      {"ratio = 34.0", "ratio = 3.4", "37:19: ", "'full_scale_vrms' is 70, nominal is 6.8"},
      {"[range.calibration.right]", "[range.calibration.centre]",
       "41:20: ", "unknown key 'centre'"},
      {"repeatability = 0\n", "repeatability = nan\n", "45:17: ", "not finite"},
      {"left_ohm = 8.03", "left_ohm = -8.03", "51:12: ", "above 0"},
      {"left_ohm = 8.03", "left_ohm = 80.3", "51:12: ", "'left_ohm' is 80.3, nominal is 8"},
      {"right_ohm = 7.98", "right_kohm = 7.98", "52:1: ", "unknown key 'right_kohm'"},
      {"band_high_hz = 20000", "band_high_hz = 20", "60:16: ", "not above 'band_low_hz', 20"},
      {"[-110.5, -111]", "-110.5", "61:21: ", "two numbers, [left, right]"},
      {"[-110.5, -111]", "[-110.5]", "61:21: ", "two numbers, [left, right]"},
      {"[-110.5, -111]", "[-110.5, \"x\"]", "61:30: ", "'silent_noise_dbfs', right,"},
      {"[-112, -113]", "[-112, -inf]", "62:27: ", "not finite"},
      {"[3, -125, -124.5]", "[3, -125]", "63:25: ", "a row that is not [order, left, right]"},
      {"[3, -125, -124.5]", "[1, -125, -124.5]", "63:25: ", "order 1 after 1"},
      {"[1, -120, -121]", "[0, -120, -121]", "63:9: ", "whole number of 1 to 1000"},
      {"[1, -120, -121]", "[1, -120, 99]", "63:18: ", "'hum', order 1, is 99"},
      {tone, "", "56:1: ", "'tone' is missing in [loopback]; add one table [[loopback.tone]]"},
      {tone, tone + tone, "71:16: ", "a second tone of 997 Hz at -1 dBFS"},
      {tone, tone + kOutputTone + kOutputTone, "77:16: ", "a second tone of 100 Hz at -6 dBFS"},
      {tone, tone + with("drive_dbfs", "drive_db", kOutputTone),
       "72:1: ", "unknown key 'drive_db'"},
      {tone, tone + with("[[loopback.output_tone]]", "[loopback.output_tone]", kOutputTone),
       "70:1: ", "'output_tone' has the wrong type"},
      {"[[loopback.tone]]", "[loopback.tone]", "64:1: ", "'tone' has the wrong type"},
      {"frequency_hz = 997\n", "", "64:1: ", "'frequency_hz' is missing in [[loopback.tone]]"},
      {"phase_deg = 0.02", "phase_deg = 720", "67:13: ", "at most 360"},
      {"[[2, -112, 45], [3, -110, -90]]", "[[3, -110, -90], [2, -112, 45]]",
       "68:95: ", "order 2 after 3"},
      {"[[2, -112, 45]", "[[1.5, -112, 45]", "68:80: ", "whole number of 2 to 1000"},
      {"right = { level_dbfs = -1.2", "# right = {", "64:1: ", "'right' is missing"},
  };
  for (const Case& each : cases) {
    CAPTURE(each.to);
    const std::string text = error_of(with(each.from, each.to, kCalibrated));
    CAPTURE(text);
    CHECK(text.rfind("bench.toml:" + each.begins, 0) == 0);
    CHECK(text.find(each.says) != std::string::npos);
    CHECK(text.find("; ") != std::string::npos);
    CHECK(text.find('\n') == std::string::npos);
  }
}

TEST_CASE("a profile cut short anywhere is read or refused with a position, never worse") {
  for (std::size_t length = 0; length < kCalibrated.size(); ++length) {
    CAPTURE(length);
    const std::string text = error_of(kCalibrated.substr(0, length));
    CHECK((text == "no error" || text.rfind("bench.toml:", 0) == 0));
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
  CHECK_FALSE(simulated.output_calibration);
  CHECK(read_profile(folder + "example-bench.toml").ranges.size() == 2);
}

std::string contents(const std::string& path) {
  std::ifstream in(path);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST_CASE("what calibration/README.md shows of a calibration fits the example") {
  const std::string folder = SINEWRIGHT_SOURCE_DIR "/calibration/";
  const std::string readme = contents(folder + "README.md");
  const std::string fence = "```toml\n";
  const auto begin = readme.find(fence);
  REQUIRE(begin != std::string::npos);
  const std::string shown =
      readme.substr(begin + fence.size(), readme.find("```", begin + 3) - begin - fence.size());
  const Profile profile = parse_profile(contents(folder + "example-bench.toml") + shown, "README");
  CHECK(profile.ranges[1].calibration);
  CHECK(profile.load.calibration);
  CHECK(profile.output_calibration);
  CHECK(profile.loopback);
}

}  // namespace
}  // namespace sinewright
