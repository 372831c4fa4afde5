#include "bench/profile_calibration.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string_view>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr Bounds kFrequency = above_zero(400000);
constexpr Bounds kRate{8000, 768000};
constexpr Bounds kPlayed{-200, 0};
// The fundamental of a clipped wave exceeds full scale by up to 2.1 dB (a square's, 4 / pi).
constexpr Bounds kRead{-200, 3};
constexpr Bounds kNoise{-400, 10};
constexpr Bounds kHarmonic{-400, 60};
constexpr Bounds kPhase{-360, 360};

// Full scale is written beside the two figures it is made of; apart by more, one was edited alone.
constexpr double kFullScaleAgreement = 0.001;
// What is measured and what the parts say differ by tolerances. By more, a part was exchanged or a
// figure edited after calibrating, and the old calibration would silently win.
constexpr double kFarthestFromNominal = 2;

MeterAccuracy read_meter(const Section& section, std::string_view resolution_key) {
  return {.percent = section.number("meter_percent", {0, 100}),
          .digits = section.number("meter_digits", {0, 10000}),
          .resolution = section.number(resolution_key, {0, 1000})};
}

void refuse_far_from_nominal(const Section& section, std::string_view key, double value,
                             double nominal) {
  if (value <= kFarthestFromNominal * nominal && value * kFarthestFromNominal >= nominal) return;
  section.fail_key(
      key, fmt::format("'{}' is {:.6g}, nominal is {:.6g}: one of them is wrong, or the bench was "
                       "changed since; correct it, or delete {} and calibrate again",
                       key, value, nominal, section.title()));
}

ScaleCalibration read_scale(const Section& section, double nominal_full_scale_vrms) {
  section.allow_only({"full_scale_vrms", "meter_v", "level_dbfs", "repeatability"});
  ScaleCalibration scale;
  scale.full_scale_vrms = section.number("full_scale_vrms", above_zero(1e10));
  scale.meter_v = section.number("meter_v", above_zero(1e10));
  scale.level_dbfs = section.number("level_dbfs", kRead);
  scale.repeatability = section.number("repeatability", {0, 1});
  const double expected_vrms = scale.meter_v / amplitude_ratio_of_db(scale.level_dbfs);
  if (std::abs(scale.full_scale_vrms / expected_vrms - 1) > kFullScaleAgreement) {
    section.fail_key("full_scale_vrms",
                     fmt::format("'full_scale_vrms' is {}, but {} V at {} dBFS make it {:.6g}; "
                                 "undo the edit, or delete {} and calibrate again",
                                 scale.full_scale_vrms, scale.meter_v, scale.level_dbfs,
                                 expected_vrms, section.title()));
  }
  refuse_far_from_nominal(section, "full_scale_vrms", scale.full_scale_vrms,
                          nominal_full_scale_vrms);
  return scale;
}

LoopbackTone::Channel read_tone_channel(const Section& section) {
  section.allow_only({"level_dbfs", "noise_dbfs", "floor_dbc", "harmonics"});
  LoopbackTone::Channel channel;
  channel.level_dbfs = section.number("level_dbfs", kRead);
  channel.noise_dbfs = section.number("noise_dbfs", kNoise);
  channel.floor_dbc = section.number("floor_dbc", kHarmonic);
  for (const auto& row : section.rows("harmonics", {2, "order, dBc, degrees", kHarmonic, kPhase})) {
    channel.harmonics.push_back({row.order, row.first, row.second});
  }
  return channel;
}

LoopbackTone read_tone(const Section& section) {
  section.allow_only({"frequency_hz", "drive_dbfs", "phase_deg", "left", "right"});
  LoopbackTone tone;
  tone.frequency_hz = section.number("frequency_hz", kFrequency);
  tone.drive_dbfs = section.number("drive_dbfs", kPlayed);
  tone.phase_deg = section.number("phase_deg", kPhase);
  tone.channels = {read_tone_channel(section.section("left")),
                   read_tone_channel(section.section("right"))};
  return tone;
}

std::vector<LoopbackTone> read_tones(const Section& loopback, std::string_view key) {
  std::vector<LoopbackTone> tones;
  for (const Section& section : loopback.sections(key)) {
    LoopbackTone tone = read_tone(section);
    const bool is_taken = std::any_of(tones.begin(), tones.end(), [&](const LoopbackTone& other) {
      return other.frequency_hz == tone.frequency_hz && other.drive_dbfs == tone.drive_dbfs;
    });
    if (is_taken) {
      section.fail_key("frequency_hz",
                       fmt::format("a second tone of {} Hz at {} dBFS; remove one of them",
                                   tone.frequency_hz, tone.drive_dbfs));
    }
    tones.push_back(std::move(tone));
  }
  return tones;
}

}  // namespace

ScaleCalibrations read_scale_calibrations(const Section& section, double nominal_full_scale_vrms) {
  section.allow_only({"date", "device", "sample_rate_hz", "frequency_hz", "drive_dbfs", "at",
                      "meter_percent", "meter_digits", "meter_resolution_v", "left", "right"});
  ScaleCalibrations all;
  all.date = section.date("date");
  all.device = section.text("device");
  all.sample_rate_hz = section.number_if_any("sample_rate_hz", kRate);
  all.frequency_hz = section.number("frequency_hz", kFrequency);
  all.drive_dbfs = section.number("drive_dbfs", kPlayed);
  if (section.has("at")) {
    const std::string at = section.text("at");
    if (at != "divider" && at != "terminals") {
      section.fail_key("at", fmt::format("'at' is '{}'; write \"divider\" or \"terminals\"", at));
    }
    all.is_through_unit = at == "terminals";
  }
  all.meter = read_meter(section, "meter_resolution_v");
  if (!section.has("left") && !section.has("right")) {
    section.fail_here(
        fmt::format("neither 'left' nor 'right' is calibrated in {}; add one, or "
                    "remove the table",
                    section.title()));
  }
  if (const auto left = section.section_if_any("left")) {
    all.channels[0] = read_scale(*left, nominal_full_scale_vrms);
  }
  if (const auto right = section.section_if_any("right")) {
    all.channels[1] = read_scale(*right, nominal_full_scale_vrms);
  }
  return all;
}

LoadCalibration read_load_calibration(const Section& section, double nominal_resistance_ohm) {
  section.allow_only({"date", "meter_percent", "meter_digits", "meter_resolution_ohm", "left_ohm",
                      "right_ohm", "lead_ohm", "temperature_ppm_per_k", "temperature_rise_k"});
  LoadCalibration load;
  load.date = section.date("date");
  load.meter = read_meter(section, "meter_resolution_ohm");
  load.resistance_ohm = {section.number("left_ohm", above_zero(1e6)),
                         section.number("right_ohm", above_zero(1e6))};
  refuse_far_from_nominal(section, "left_ohm", load.resistance_ohm[0], nominal_resistance_ohm);
  refuse_far_from_nominal(section, "right_ohm", load.resistance_ohm[1], nominal_resistance_ohm);
  load.lead_ohm = section.number("lead_ohm", {0, 1000});
  load.temperature_ppm_per_k = section.number("temperature_ppm_per_k", {-100000, 100000});
  load.temperature_rise_k = section.number("temperature_rise_k", {0, 1000});
  return load;
}

Loopback read_loopback(const Section& section) {
  section.allow_only({"date", "device", "sample_rate_hz", "band_low_hz", "band_high_hz",
                      "silent_noise_dbfs", "input_noise_dbfs", "hum", "tone", "output_tone"});
  Loopback loopback;
  loopback.date = section.date("date");
  loopback.device = section.text("device");
  loopback.sample_rate_hz = section.number_if_any("sample_rate_hz", kRate);
  loopback.band_low_hz = section.number("band_low_hz", kFrequency);
  loopback.band_high_hz = section.number("band_high_hz", kFrequency);
  if (loopback.band_high_hz <= loopback.band_low_hz) {
    section.fail_key("band_high_hz", fmt::format("'band_high_hz' is {}, not above 'band_low_hz', "
                                                 "{}; correct it",
                                                 loopback.band_high_hz, loopback.band_low_hz));
  }
  loopback.silent_noise_dbfs = section.pair("silent_noise_dbfs", kNoise);
  if (section.has("input_noise_dbfs")) {
    loopback.input_noise_dbfs = section.pair("input_noise_dbfs", kNoise);
  }
  if (section.has("hum")) {
    for (const auto& row : section.rows("hum", {1, "order, left, right", kNoise, kNoise})) {
      loopback.hum.push_back({row.order, {row.first, row.second}});
    }
  }
  loopback.tones = read_tones(section, "tone");
  if (section.has("output_tone")) loopback.output_tones = read_tones(section, "output_tone");
  return loopback;
}

}  // namespace sinewright
