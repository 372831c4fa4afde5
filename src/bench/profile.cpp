#include "bench/profile.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <fstream>

#include "bench/fnv_hash.h"
#include "bench/profile_calibration.h"
#include "bench/profile_section.h"
#include "dsp/units.h"
#include "findings/error.h"

namespace sinewright {
namespace {

constexpr std::int64_t kVersionRead = 1;
// Calibrated, a profile has some hundred kilobytes; anything far larger is some other file.
constexpr std::uintmax_t kLargestProfileBytes = 1 << 20;

// What is divided by or squared stays clear of zero, so that no result overflows.
constexpr double kSmallestFactor = 1e-6;

// A later version than this program reads comes first: in that, keys unknown here may be right.
void check_version(const Section& root) {
  const std::int64_t version = root.whole_number("version");
  if (version > kVersionRead) {
    root.fail_key("version",
                  fmt::format("version {} is later than this program reads ({}); update the "
                              "program, or use a profile of version {}",
                              version, kVersionRead, kVersionRead));
  }
  if (version < kVersionRead) {
    root.fail_key("version", fmt::format("version {} does not exist; write version = {}", version,
                                         kVersionRead));
  }
}

void read_sound_card(const Section& section, Profile& profile) {
  section.allow_only({"input_device", "output_device", "sample_rate_hz", "input_full_scale_vrms",
                      "output_full_scale_vrms", "stability_percent", "clock_ppm",
                      "output_calibration"});
  profile.input_device = section.text_or_empty("input_device");
  profile.output_device = section.text_or_empty("output_device");
  profile.sample_rate_hz = section.number("sample_rate_hz", {8000, 768000});
  profile.input_full_scale_vrms = section.number("input_full_scale_vrms", {kSmallestFactor, 1000});
  profile.output_full_scale_vrms =
      section.number("output_full_scale_vrms", {kSmallestFactor, 1000});
  profile.stability_percent =
      section.number_if_any("stability_percent", {0, 50}).value_or(profile.stability_percent);
  profile.clock_ppm = section.number_if_any("clock_ppm", {0, 10000}).value_or(profile.clock_ppm);
  if (const auto calibration = section.section_if_any("output_calibration")) {
    profile.output_calibration =
        read_scale_calibrations(*calibration, profile.output_full_scale_vrms);
  }
}

std::vector<Range> read_ranges(const Section& root, double input_full_scale_vrms) {
  std::vector<Range> ranges;
  for (const Section& section : root.sections("range")) {
    section.allow_only({"name", "ratio", "loss_20khz_db", "calibration"});
    Range range;
    range.name = section.text("name");
    range.ratio = section.number("ratio", {kSmallestFactor, 1e6});
    range.loss_20khz_db = section.number_if_any("loss_20khz_db", {0, 3}).value_or(0);
    if (const auto calibration = section.section_if_any("calibration")) {
      range.calibration =
          read_scale_calibrations(*calibration, input_full_scale_vrms * range.ratio);
    }
    const bool is_taken = std::any_of(ranges.begin(), ranges.end(),
                                      [&](const Range& other) { return other.name == range.name; });
    if (is_taken) {
      section.fail_key(
          "name", fmt::format("a second range is named '{}'; give each its own name", range.name));
    }
    ranges.push_back(std::move(range));
  }
  std::stable_sort(ranges.begin(), ranges.end(),
                   [](const Range& a, const Range& b) { return a.ratio > b.ratio; });
  return ranges;
}

Load read_load(const Section& section) {
  section.allow_only({"resistance_ohm", "rated_w", "rated_s", "continuous_w", "calibration"});
  Load load;
  load.resistance_ohm = section.number("resistance_ohm", {kSmallestFactor, 1e6});
  load.rated_w = section.number("rated_w", above_zero(1e5));
  load.rated_s = section.number_if_any("rated_s", above_zero(1e6));
  load.continuous_w = section.number_if_any("continuous_w", above_zero(1e5));
  if (load.rated_s && !load.continuous_w) {
    section.fail_key("rated_s",
                     "'rated_s' needs 'continuous_w', what the load bears for ever; add it, or "
                     "remove 'rated_s' when 'rated_w' is continuous");
  }
  if (load.continuous_w && !load.rated_s) {
    section.fail_key("continuous_w",
                     "'continuous_w' needs 'rated_s', how long the load bears 'rated_w'; add it, "
                     "or give the continuous rating as 'rated_w' alone");
  }
  if (load.continuous_w && *load.continuous_w >= load.rated_w) {
    section.fail_key("continuous_w",
                     fmt::format("'continuous_w' is {}, not below 'rated_w', {}; correct it",
                                 *load.continuous_w, load.rated_w));
  }
  if (const auto calibration = section.section_if_any("calibration")) {
    load.calibration = read_load_calibration(*calibration, load.resistance_ohm);
  }
  return load;
}

void read_limits(const Section& section, Profile& profile) {
  section.allow_only({"power_limit_w", "dwell_s"});
  profile.power_limit_w = section.number("power_limit_w", above_zero(1e5));
  if (profile.power_limit_w > profile.load.rated_w) {
    section.fail_key("power_limit_w",
                     fmt::format("'power_limit_w' is {}, above the {} W that the load is rated "
                                 "for; lower it, or use a larger load",
                                 profile.power_limit_w, profile.load.rated_w));
  }
  profile.dwell_s = section.number_if_any("dwell_s", above_zero(3600)).value_or(profile.dwell_s);
}

}  // namespace

Profile parse_profile(const std::string& text, const std::string& name) {
  const toml::table table = parse_toml(text, name);
  const Section root(table, name);
  check_version(root);
  root.allow_only({"version", "name", "sound_card", "range", "load", "loopback", "limits"});

  Profile profile{};
  profile.hash = fnv_hash(text);
  profile.name = root.text("name");
  read_sound_card(root.section("sound_card"), profile);
  profile.ranges = read_ranges(root, profile.input_full_scale_vrms);
  profile.load = read_load(root.section("load"));
  if (const auto loopback = root.section_if_any("loopback")) {
    profile.loopback = read_loopback(*loopback);
  }
  read_limits(root.section("limits"), profile);
  return profile;
}

Profile read_profile(const std::filesystem::path& path) {
  const auto refuse = [&](const char* what) {
    throw Error(ExitCode::kInput, fmt::format("{}: {}; give a bench profile, such as those in "
                                              "calibration/",
                                              path.string(), what));
  };
  std::error_code error;
  const auto status = std::filesystem::status(path, error);
  if (!std::filesystem::exists(status)) refuse("no such file");
  if (std::filesystem::is_directory(status)) refuse("is a directory");
  std::ifstream in(path, std::ios::binary);
  if (!in) refuse("cannot be opened");

  // Read to the bound, not to the end: a device has no size and may have no end.
  std::string text(kLargestProfileBytes + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (in.bad()) refuse("cannot be read");
  text.resize(static_cast<std::size_t>(in.gcount()));
  if (text.size() > kLargestProfileBytes) refuse("larger than 1 MiB, so no bench profile");
  return parse_profile(text, path.string());
}

Chain::Chain(Profile profile, const std::string& range) : profile_(std::move(profile)) {
  std::vector<std::string> names;
  for (const Range& each : profile_.ranges) {
    if (each.name == range || (range.empty() && names.empty())) {
      range_ = each;
      return;
    }
    names.push_back(each.name);
  }
  throw Error(ExitCode::kUsage, fmt::format("range '{}' is not in bench profile '{}'; it has {}",
                                            range, profile_.name, fmt::join(names, ", ")));
}

bool Chain::has_calibrated_volts(std::size_t channel) const {
  return channel < 2 && range_.calibration && range_.calibration->channels[channel];
}

bool Chain::has_calibrated_watts(std::size_t channel) const {
  return has_calibrated_volts(channel) && profile_.load.calibration;
}

double Chain::full_scale_vrms(std::size_t channel) const {
  if (has_calibrated_volts(channel)) return range_.calibration->channels[channel]->full_scale_vrms;
  return profile_.input_full_scale_vrms * range_.ratio;
}

double Chain::load_ohm(std::size_t channel) const {
  const std::optional<LoadCalibration>& measured = profile_.load.calibration;
  return measured && channel < 2 ? measured->resistance_ohm[channel] : profile_.load.resistance_ohm;
}

double Chain::volts_of_rms(double rms, std::size_t channel) const {
  return rms / kFullScaleRms * full_scale_vrms(channel);
}

double Chain::watts_of_volts(double vrms, std::size_t channel) const {
  return vrms * vrms / load_ohm(channel);
}

double Chain::volts_of_watts(double watts, std::size_t channel) const {
  return std::sqrt(watts * load_ohm(channel));
}

double Chain::dbfs_of_volts(double vrms, std::size_t channel) const {
  return db_of_amplitude_ratio(vrms / full_scale_vrms(channel));
}

}  // namespace sinewright
