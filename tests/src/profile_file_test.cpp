// The bench profile as a file: what is written is read back to the last bit, and nothing is lost.
#include "bench/profile_file.h"

#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <limits>
#include <random>
#include <stdexcept>
#include <string>

#include "findings/error.h"
#include "temporary_folder.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

/// Random profiles that are in order, with every optional part there or not.
class RandomProfile {
 public:
  explicit RandomProfile(unsigned seed) : random_(seed) {}

  Profile profile() {
    Profile made{};
    made.name = text(1);
    made.input_device = text(0);
    made.output_device = text(0);
    made.sample_rate_hz = real(8000, 768000);
    made.input_full_scale_vrms = real(0.01, 1000);
    made.output_full_scale_vrms = real(0.01, 1000);
    made.stability_percent = real(0, 50);
    made.clock_ppm = real(0, 10000);
    if (coin()) made.output_calibration = scales(made.output_full_scale_vrms);
    double ratio = real(1e3, 1e6);
    for (int i = whole(1, 4); i > 0; --i, ratio *= real(0.01, 0.99)) {
      Range range{text(1) + std::to_string(i), ratio, {}};
      if (coin()) range.loss_20khz_db = real(0, 3);
      if (coin()) range.calibration = scales(made.input_full_scale_vrms * ratio);
      made.ranges.push_back(range);
    }
    made.load.resistance_ohm = real(0.1, 1000);
    made.load.rated_w = real(1, 1e5);
    if (coin()) {
      made.load.rated_s = real(0.1, 1e6);
      made.load.continuous_w = made.load.rated_w * real(0.01, 0.99);
    }
    if (coin()) made.load.calibration = load(made.load.resistance_ohm);
    made.power_limit_w = made.load.rated_w * real(0.01, 1);
    made.dwell_s = real(0.001, 3600);
    if (coin()) made.loopback = loopback();
    return made;
  }

 private:
  bool coin() { return whole(0, 1) == 1; }
  int whole(int low, int high) { return std::uniform_int_distribution(low, high)(random_); }
  // Now and then an end of the span itself: whole numbers are written otherwise.
  double real(double low, double high) {
    const int pick = whole(0, 19);
    if (pick == 0) return low;
    if (pick == 1) return high;
    return std::uniform_real_distribution(low, high)(random_);
  }

  std::string text(int shortest) {
    const char* const pieces[] = {"a",    "\"", "\\",   "\n",     "\r",     "\t",    "\x01", "\x1f",
                                  "\x7f", "#",  " ",    "'",      "\"\"\"", "\\u",   "]",    "=",
                                  "é",    "Ω",  "🎚", "\u2028", "\u0085", "[x]\n", "nan"};
    std::string made;
    for (int i = whole(shortest, 8); i > 0; --i) made += pieces[whole(0, std::size(pieces) - 1)];
    if (whole(0, 9) == 0) made += std::string(1, '\0');
    return made;
  }

  std::string date() { return std::to_string(whole(1970, 2999)) + (coin() ? "-02-28" : "-12-09"); }
  MeterAccuracy meter() { return {real(0, 100), real(0, 10000), real(0, 1)}; }

  ScaleCalibration scale(double nominal_vrms) {
    ScaleCalibration made;
    made.level_dbfs = real(-200, 3);
    made.meter_v = nominal_vrms * real(0.6, 1.9) * std::pow(10, made.level_dbfs / 20);
    // Up to the disagreement that is allowed, 0.1 %.
    made.full_scale_vrms = made.meter_v / std::pow(10, made.level_dbfs / 20) * real(0.9991, 1.0009);
    made.repeatability = real(0, 1e-3);
    return made;
  }

  ScaleCalibrations scales(double nominal_vrms) {
    ScaleCalibrations made;
    made.date = date();
    made.device = text(1);
    if (coin()) made.sample_rate_hz = real(8000, 768000);
    made.frequency_hz = real(0.1, 400000);
    made.drive_dbfs = real(-200, 0);
    made.is_through_unit = real(0, 1) > 0.5;
    made.meter = meter();
    const int which = whole(1, 3);
    if ((which & 1) != 0) made.channels[0] = scale(nominal_vrms);
    if ((which & 2) != 0) made.channels[1] = scale(nominal_vrms);
    return made;
  }

  LoadCalibration load(double nominal_ohm) {
    return {date(),
            meter(),
            {nominal_ohm * real(0.6, 1.9), nominal_ohm * real(0.6, 1.9)},
            real(0, 1000),
            real(-100000, 100000),
            real(0, 1000)};
  }

  LoopbackTone::Channel tone_channel() {
    LoopbackTone::Channel made;
    made.level_dbfs = real(-200, 3);
    made.noise_dbfs = real(-400, 10);
    made.floor_dbc = real(-400, 60);
    for (int order = whole(2, 5); order < 20; order += whole(1, 9)) {
      made.harmonics.push_back({order, real(-400, 60), coin() ? real(-360, 360) : -0.0});
    }
    return made;
  }

  Loopback loopback() {
    Loopback made;
    made.date = date();
    made.device = text(1);
    if (coin()) made.sample_rate_hz = real(8000, 768000);
    made.band_low_hz = real(1, 1000);
    made.band_high_hz = real(1001, 400000);
    made.silent_noise_dbfs = {real(-400, 10), real(-400, 10)};
    if (coin()) made.input_noise_dbfs = {real(-400, 10), real(-400, 10)};
    for (int order = whole(1, 20); order < 20; order += whole(1, 9)) {
      made.hum.push_back({order, {real(-400, 10), real(-400, 10)}});
    }
    for (int i = 1; i <= whole(1, 4); ++i) {
      made.tones.push_back({1000.0 * i + real(0, 999),
                            real(-200, 0),
                            real(-360, 360),
                            {tone_channel(), tone_channel()}});
      if (coin()) made.output_tones.push_back(made.tones.back());
    }
    return made;
  }

  std::mt19937 random_;
};

TEST_CASE("any profile in order is read back as it was, to the last bit") {
  RandomProfile random(20261125);
  for (int i = 0; i < 500; ++i) {
    const Profile profile = random.profile();
    const std::string text = to_toml(profile);
    CAPTURE(text);
    Profile back = parse_profile(text, "bench.toml");
    back.hash = profile.hash;
    REQUIRE(back == profile);
    // The shortest digits tell every bit, and a zero's sign, which == does not.
    REQUIRE(to_toml(back) == text);
  }
}

TEST_CASE("odd numbers survive") {
  Profile profile = RandomProfile(1).profile();
  profile.load.calibration =
      LoadCalibration{"2026-11-25",
                      {0.1 + 0.2, 0, std::numeric_limits<double>::denorm_min()},
                      {profile.load.resistance_ohm, profile.load.resistance_ohm},
                      5e-324,
                      -0.0,
                      1.0 / 3};
  const std::string text = to_toml(profile);
  const Profile back = parse_profile(text, "bench.toml");
  CHECK(back.load.calibration == profile.load.calibration);
  CHECK(std::signbit(back.load.calibration->temperature_ppm_per_k));
}

Profile simulated_bench() {
  return read_profile(SINEWRIGHT_SOURCE_DIR "/calibration/simulated-bench.toml");
}

TEST_CASE("what cannot be read back is not written") {
  Profile profile = simulated_bench();
  SUBCASE("not a number") { profile.dwell_s = std::nan(""); }
  SUBCASE("infinite") { profile.clock_ppm = std::numeric_limits<double>::infinity(); }
  SUBCASE("no name") { profile.name.clear(); }
  SUBCASE("not UTF-8") { profile.input_device = "\xff"; }
  SUBCASE("ranges by rising ratio") { std::swap(profile.ranges[0], profile.ranges[1]); }
  SUBCASE("no date") {
    profile.load.calibration = LoadCalibration{"yesterday", {}, {8, 8}, 0, 0, 0};
  }
  SUBCASE("a date that is more") {
    profile.load.calibration = LoadCalibration{"2026-11-25\nlead_ohm = 3", {}, {8, 8}, 0, 0, 0};
  }
  const TemporaryFolder folder;
  CHECK_THROWS_AS(write_profile(folder / "bench.toml", profile), std::invalid_argument);
  CHECK(fs::is_empty(folder.path()));
}

TEST_CASE("the text begins with what it is, and no line ends in a space") {
  const std::string text = to_toml(RandomProfile(2).profile());
  CHECK(text.rfind("# Bench profile", 0) == 0);
  CHECK(text.find(" \n") == std::string::npos);
}

std::string contents(const fs::path& path) {
  std::ifstream in(path, std::ios::binary);
  REQUIRE(in);
  return {std::istreambuf_iterator<char>(in), {}};
}

void fill(const fs::path& path, const std::string& text) { std::ofstream(path) << text; }

std::ptrdiff_t files_in(const fs::path& folder) {
  return std::distance(fs::directory_iterator(folder), {});
}

TEST_CASE("writing keeps the file before, byte by byte, and only the last one") {
  const TemporaryFolder folder;
  const std::string path = folder / "bench.toml";
  Profile profile = simulated_bench();
  write_profile(path, profile);
  CHECK(contents(path) == to_toml(profile));
  CHECK(files_in(folder.path()) == 1);

  fill(path, "my own comment\r\n");
  write_profile(path, profile);
  CHECK(contents(path + ".previous") == "my own comment\r\n");
  CHECK(read_profile(path).name == profile.name);

  const std::string first = contents(path);
  profile.dwell_s = 0.5;
  write_profile(path, profile);
  CHECK(contents(path + ".previous") == first);
  CHECK(files_in(folder.path()) == 2);

  // The same again changes nothing, so the file before still tells from the one now.
  write_profile(path, profile);
  CHECK(contents(path + ".previous") == first);
  CHECK(files_in(folder.path()) == 2);
}

TEST_CASE("an empty file is kept too") {
  const TemporaryFolder folder;
  fill(folder / "bench.toml", "");
  write_profile(folder / "bench.toml", simulated_bench());
  CHECK(contents(folder / "bench.toml.previous").empty());
}

TEST_CASE("a symbolic link stays one: the file that it names is written") {
  const TemporaryFolder folder;
  fs::create_directory(folder / "profiles");
  fill(folder / "profiles/mine.toml", "before");
  fs::create_symlink("profiles/mine.toml", folder / "bench.toml");
  write_profile(folder / "bench.toml", simulated_bench());
  CHECK(fs::is_symlink(folder / "bench.toml"));
  CHECK(contents(folder / "profiles/mine.toml") == to_toml(simulated_bench()));
  CHECK(contents(folder / "bench.toml.previous") == "before");
}

/// The message of a write that must fail.
std::string refusal(const std::string& path) {
  try {
    write_profile(path, simulated_bench());
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kFailure);
    return error.what();
  }
  return "written";
}

TEST_CASE("a write that fails names the path and leaves all as it was") {
  const TemporaryFolder folder;
  const std::string path = folder / "bench.toml";
  fill(path, "before");

  SUBCASE("nowhere to keep the file before") {
    fs::create_directory(path + ".previous");
    CHECK(refusal(path).rfind(path + ".previous: not written", 0) == 0);
    CHECK(files_in(folder.path()) == 2);
  }
  SUBCASE("the folder is a file") {
    CHECK(refusal(path + "/bench.toml").rfind(path + "/bench.toml: not written", 0) == 0);
    CHECK(files_in(folder.path()) == 1);
  }
  SUBCASE("the path is a folder") {
    CHECK(refusal(folder.path().string()).find("is a directory") != std::string::npos);
    CHECK(files_in(folder.path()) == 1);
  }
  SUBCASE("there is no such folder") {
    CHECK(refusal(folder / "none/bench.toml").rfind(folder / "none/bench.toml", 0) == 0);
    CHECK(files_in(folder.path()) == 1);
  }
  SUBCASE("the disk is full") {
    CHECK(refusal("/dev/full").rfind("/dev/full: not written", 0) == 0);
    CHECK(files_in(folder.path()) == 1);
  }
  CHECK(contents(path) == "before");
}

}  // namespace
}  // namespace sinewright
