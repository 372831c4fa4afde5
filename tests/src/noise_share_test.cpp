// What of a unit's noise and hum is the sound card's: against shares worked out by hand.
#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <string>

#include "dsp/weighting.h"
#include "findings/check.h"
#include "measure/append.h"
#include "measure/noise.h"
#include "measure/noise_levels.h"
#include "measure/tone_findings.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kTight = 1e-9;  // rounding: every figure here is worked out in closed form
constexpr double kVoltsPerRms = 20 / 0.70710678118654752;

double ms_of_dbfs(double dbfs) { return std::pow(10, dbfs / 10) / 2; }

/// A loop of no gain; noise -100 dBFS, -110 of it the input's; hum of -80 dBFS at twice the mains.
Profile profile_with_loopback() {
  Profile profile;
  profile.name = "Invented bench";
  profile.hash = "0";
  ScaleCalibrations input;
  input.frequency_hz = 1000;
  input.meter = {0.8, 3, 0.001};
  input.channels[0] = input.channels[1] = ScaleCalibration{20, 2.0, -20, 1e-4};
  Range range;
  range.name = "high";
  range.ratio = 10;
  range.calibration = input;
  profile.ranges = {range};
  LoadCalibration load;
  load.meter = {0.5, 2, 0.01};
  load.resistance_ohm = {8, 2};
  profile.load.calibration = load;
  Loopback loopback;
  for (const double drive_dbfs : {-40.0, -1.0}) {
    for (const double frequency_hz : {20.0, 1000.0, 10010.0, 20000.0}) {
      LoopbackTone tone;
      tone.frequency_hz = frequency_hz;
      tone.drive_dbfs = drive_dbfs;
      for (LoopbackTone::Channel& channel : tone.channels) {
        channel.level_dbfs = drive_dbfs;
        channel.noise_dbfs = -100;
      }
      loopback.tones.push_back(tone);
    }
  }
  loopback.silent_noise_dbfs = {-100, -100};
  loopback.input_noise_dbfs = std::array<double, 2>{-110, -110};
  loopback.hum = {{2, {-80, -80}}};
  profile.loopback = loopback;
  return profile;
}

ReadingContext context_of(const Profile& profile) {
  ReadingContext context;
  context.channels = channel_names(2);
  context.chain.emplace(profile, "");
  context.sample_rate_hz = 48000;
  context.residual = residual_of(context.chain);
  return context;
}

ReadingContext context_with_loopback() { return context_of(profile_with_loopback()); }

/// 100 Hz of 1e-3 in noise of 1e-4, no spread.
NoiseChannel noise_with_hum() {
  NoiseChannel noise;
  noise.noise_rms = std::hypot(1e-3, 1e-4);
  noise.noise_a_rms = 1e-4;
  noise.noise_468_rms = 1e-4;
  noise.hum_rms = 1e-3;
  noise.broadband_rms = 1e-4;
  noise.hum_lines = {{1, 50, 0, 0, std::nullopt, false}, {2, 100, 1e-3, 0, std::nullopt, true}};
  return noise;
}

const Reading& reading_of(const Findings& findings, const std::string& key,
                          const std::string& channel, Unit unit) {
  const Reading* reading = find_reading(findings, key, channel, unit);
  REQUIRE(reading != nullptr);
  return *reading;
}

TEST_CASE("the loopback's broadband noise has no hum to take off") {
  const NoiseLevels levels =
      noise_levels(noise_with_hum(), 5, context_with_loopback(), "left", SilentInput::kOutput);
  REQUIRE(levels.broadband.share);
  CHECK(within(levels.broadband.share->least_ms / ms_of_dbfs(-110), 1, kTight));
  CHECK(within(levels.broadband.share->most_ms / ms_of_dbfs(-100), 1, kTight));
}

TEST_CASE("the sound card's hum is in all noise, weighted at its frequency") {
  const ReadingContext context = context_with_loopback();
  const NoiseLevels levels = noise_levels(noise_with_hum(), 5, context, "left", SilentInput::kNone);
  const double own = std::sqrt(ms_of_dbfs(-80));
  // 1e-3 was read; the unit's own lies between 1e-3 - own and 1e-3 + own.
  const double raised_ms = 2e-3 * own - own * own;
  const double lowered_ms = 2e-3 * own + own * own;
  const double broadband_ms = ms_of_dbfs(-110);
  REQUIRE(levels.noise.share);
  CHECK(within(levels.noise.share->most_ms / (broadband_ms + raised_ms), 1, kTight));
  CHECK(within(levels.noise.share->least_ms / (broadband_ms - lowered_ms), 1, kTight));
  const auto most_of = [&](double white_gain, Weighting weighting) {
    const double gain = weighting_gain(weighting, Hertz{100});
    return 2 * white_gain * broadband_ms + gain * gain * raised_ms;
  };
  CHECK(within(levels.noise_a.share->most_ms / most_of(white_gain_a(context), Weighting::kA), 1,
               kTight));
  CHECK(within(levels.noise_468.share->most_ms / most_of(white_gain_468(context), Weighting::k468),
               1, kTight));
}

TEST_CASE("hum that no line shows may be the sound card's in the noise") {
  NoiseChannel noise = noise_with_hum();
  noise.hum_lines.clear();
  const NoiseLevels levels =
      noise_levels(noise, 5, context_with_loopback(), "left", SilentInput::kNone);
  CHECK(within(levels.noise.share->most_ms / (ms_of_dbfs(-110) + ms_of_dbfs(-80)), 1, kTight));
}

TEST_CASE("a hum line fainter than the sound card's own may be none of the unit's") {
  const HumLine line{2, 100, 5e-5, 0, std::nullopt, true};
  const Level level = hum_line_level(line, context_with_loopback(), "left");
  const double own = std::sqrt(ms_of_dbfs(-80));
  REQUIRE(level.lines);
  CHECK(level.lines->low == 0);
  CHECK(within(level.lines->high / (5e-5 + own), 1, kTight));
}

TEST_CASE("with the input shorted or the unit off only the sound card's input is in the noise") {
  NoiseChannel noise = noise_with_hum();
  noise.hum_lines.clear();
  Profile profile = profile_with_loopback();
  profile.loopback->hum.clear();
  const NoiseLevels shorted =
      noise_levels(noise, 5, context_of(profile), "left", SilentInput::kNone);
  CHECK_FALSE(shorted.noise.open_ms);
  CHECK(within(shorted.noise.share->least_ms / ms_of_dbfs(-110), 1, kTight));
  CHECK(within(shorted.noise.share->most_ms / ms_of_dbfs(-110), 1, kTight));
  profile.loopback->input_noise_dbfs.reset();
  const NoiseLevels open = noise_levels(noise, 5, context_of(profile), "left", SilentInput::kNone);
  CHECK(open.noise.share->least_ms == 0);
  CHECK(within(open.noise.share->most_ms / ms_of_dbfs(-100), 1, kTight));
}

TEST_CASE("the output's noise comes through the unit at a gain not known: the lower end is open") {
  NoiseAnalysis analysis;
  analysis.duration_s = 5;
  analysis.channels = {noise_with_hum(), noise_with_hum()};
  for (NoiseChannel& channel : analysis.channels) channel.hum_lines.clear();
  Findings findings;
  findings.measurement = "noise";
  findings.ended_s = 5;
  SUBCASE("as connected") {
    append_noise(findings, analysis, context_with_loopback(), 0);
    append_noise_snr(findings, analysis, context_with_loopback(), {std::nullopt, 20});
    const Reading& noise = reading_of(findings, "noise", "left", Unit::kVolt);
    REQUIRE(noise.interval);
    CHECK(noise.interval->low == 0);
    CHECK(noise.interval->high >= *noise.value);
    CHECK_FALSE(noise.uncertainty);
    CHECK(noise.limited_by.empty());
    CHECK(noise.note == kOutputNoiseNote);
    const Reading& snr = reading_of(findings, "snr", "left", Unit::kDb);
    REQUIRE(snr.interval);
    CHECK(snr.interval->low <= *snr.value);
    CHECK(snr.interval->high == -kNothing_db);
    CHECK_FALSE(snr.uncertainty);
    CHECK(snr.note == std::string("re 20 V; ") + kOutputNoiseNote);
  }
  SUBCASE("input shorted") {
    append_noise(findings, analysis, context_with_loopback(), 0, SilentInput::kNone);
    const Reading& noise = reading_of(findings, "noise", "left", Unit::kVolt);
    CHECK(noise.uncertainty);
    CHECK_FALSE(noise.interval);
    CHECK(noise.note.empty());
  }
  CHECK(problems_of(findings).empty());
}

TEST_CASE("hum that the loopback has not is the unit's, whatever its gain") {
  Profile profile = profile_with_loopback();
  const ReadingContext with_hum = context_of(profile);
  profile.loopback->hum.clear();
  const ReadingContext context = context_of(profile);
  const auto of = [](const ReadingContext& in) {
    return noise_levels(noise_with_hum(), 5, in, "left", SilentInput::kOutput);
  };
  // 1e-3 of hum in 1e-4 of noise: a hundredth of the power hangs on the gain.
  const NoiseLevels levels = of(context);
  CHECK(within(levels.noise.open_ms.value_or(0) / 1e-8, 1, 1e-6));
  CHECK(within(levels.broadband.open_ms.value_or(0) / 1e-8, 1, kTight));
  CHECK_FALSE(own_level(levels.noise).is_open_below);
  CHECK_FALSE(own_level(levels.noise).interval);
  CHECK(own_level(levels.broadband).is_open_below);
  CHECK(within(own_level(levels.noise).standard, 0.01 / 4 / std::sqrt(3.0), 2e-5));
  CHECK(own_level(of(with_hum).noise).is_open_below);
}

TEST_CASE("a ratio to watts takes each channel's load, and half of its uncertainty") {
  Profile profile = profile_with_loopback();
  profile.loopback.reset();
  const ReadingContext context = context_of(profile);
  NoiseAnalysis analysis;
  analysis.duration_s = 5;
  analysis.channels = {noise_with_hum(), noise_with_hum()};
  Findings findings;
  append_noise_snr(findings, analysis, context, {50.0, 0});
  const double noise_v = std::hypot(1e-3, 1e-4) * kVoltsPerRms;
  const Reading& left = reading_of(findings, "snr", "left", Unit::kDb);
  const Reading& right = reading_of(findings, "snr", "right", Unit::kDb);
  CHECK(within(*left.value, db_of_amplitude_ratio(20 / noise_v), kTight));   // 50 W in 8 ohm
  CHECK(within(*right.value, db_of_amplitude_ratio(10 / noise_v), kTight));  // in 2 ohm
  Findings by_volts;
  append_noise_snr(by_volts, analysis, context, {std::nullopt, 20});
  const Reading& exact = reading_of(by_volts, "snr", "left", Unit::kDb);
  // 8 ohm: 0.5 % + 2 digits of 10 mohm, and two displays of 5 mohm; rectangular.
  const double ohm = 0.06 / 8, step = 0.005 / 8;
  const double load_db = 8.685889638 / 2 * std::sqrt((ohm * ohm + 2 * step * step) / 3);
  REQUIRE(left.uncertainty);
  REQUIRE(exact.uncertainty);
  CHECK(within(*left.uncertainty / *left.k, std::hypot(*exact.uncertainty / *exact.k, load_db),
               1e-8));

  profile.load.calibration.reset();
  Findings nominal;
  append_noise_snr(nominal, analysis, context_of(profile), {50.0, 0});
  CHECK_FALSE(reading_of(nominal, "snr", "left", Unit::kDb).uncertainty);
}

ToneChannel tone_of(double fundamental_rms, double noise_rms) {
  ToneChannel tone;
  tone.has_tone = true;
  tone.frequency_hz = 1000;
  tone.fundamental_rms = tone.level_rms = fundamental_rms;
  tone.noise_rms = tone.noise_a_rms = noise_rms;
  tone.thd_n = noise_rms / fundamental_rms;
  return tone;
}

Findings findings_of(const ToneChannel& left, const ToneChannel& right,
                     const ReadingContext& context) {
  ToneAnalysis analysis;
  analysis.channels = {left, right};
  analysis.channels[1].offset = 1e-6;  // not one signal twice
  analysis.pair = TonePair{};
  analysis.block_s = 0.5;
  Findings findings;
  findings.measurement = "tone";
  findings.ended_s = 1;
  append_tone(findings, analysis, context, 0);
  return findings;
}

TEST_CASE("the noise of a silent channel has the output's at its neighbour's gain") {
  ReadingContext context = context_with_loopback();
  const ToneChannel left = tone_of(rms_of_dbfs(-10), 1e-4);
  ToneChannel right = tone_of(1e-6, 1e-4);
  right.level_rms = 2e-4;
  SUBCASE("20 dB more than the loop") {
    context.drive_dbfs = -30;
    const Findings findings = findings_of(left, right, context);
    const Reading& noise = reading_of(findings, "noise", "right", Unit::kVolt);
    // Most: the input's own and a hundredfold the output's; here half of all or so.
    const double most_ms = ms_of_dbfs(-110) + 100 * (ms_of_dbfs(-100) - ms_of_dbfs(-110));
    REQUIRE(most_ms > 0.3e-8);
    REQUIRE(most_ms < 0.5e-8);
    REQUIRE(noise.interval);
    // The scale's own opens it by 1 % or less.
    CHECK(within(noise.interval->low / (kVoltsPerRms * std::sqrt(1e-8 - most_ms)), 1, 0.011));
  }
  SUBCASE("not known what was played") {
    context.drive_dbfs.reset();
    const Findings findings = findings_of(left, right, context);
    const Reading& noise = reading_of(findings, "noise", "right", Unit::kVolt);
    REQUIRE(noise.interval);
    CHECK(noise.interval->low == 0);
    CHECK(noise.note == kOutputNoiseNote);
    CHECK_FALSE(reading_of(findings, "noise", "left", Unit::kVolt).note == kOutputNoiseNote);
    // What comes over from the other channel is no noise: 2e-4 of it, 1e-4 of noise.
    const Reading& level = reading_of(findings, "level", "right", Unit::kVolt);
    REQUIRE(level.interval);
    CHECK(within(level.interval->low / (kVoltsPerRms * std::sqrt(3e-8)), 1, 0.011));
  }
}

TEST_CASE("a signal-to-noise ratio is that of the volts, the sound card's response taken out") {
  Profile profile = profile_with_loopback();
  for (LoopbackTone& tone : profile.loopback->tones) {
    if (tone.frequency_hz != 10010) continue;  // the middle of the band
    for (LoopbackTone::Channel& channel : tone.channels) channel.level_dbfs -= 1;
  }
  ReadingContext context = context_of(profile);
  context.drive_dbfs = -10;
  const ToneChannel tone = tone_of(rms_of_dbfs(-10), 1e-3);
  const Findings findings = findings_of(tone, tone, context);
  const double volts = *reading_of(findings, "fundamental", "left", Unit::kVolt).value;
  const double noise = *reading_of(findings, "noise", "left", Unit::kVolt).value;
  CHECK(within(*reading_of(findings, "snr", "left", Unit::kDb).value,
               db_of_amplitude_ratio(volts / noise), kTight));
}

TEST_CASE("what the sound card limits is not put down to quantisation") {
  ReadingContext context = context_with_loopback();
  context.drive_dbfs = -10;
  context.bits = 16;
  const double noise_rms = 8e-6;  // -99 dBFS: most of it the loopback's, and 16 bits leave as much
  const ToneChannel tone = tone_of(rms_of_dbfs(-10), noise_rms);
  CHECK(reading_of(findings_of(tone, tone, context), "snr", "left", Unit::kDb).limited_by ==
        "sound_card");
  context.residual.reset();
  CHECK(reading_of(findings_of(tone, tone, context), "snr", "left", Unit::kDb).limited_by ==
        "quantisation");
}

TEST_CASE("a loopback alone takes the sound card's noise out; nominal volts get no interval") {
  Profile profile = profile_with_loopback();
  profile.ranges[0].calibration.reset();
  ReadingContext context = context_of(profile);
  context.drive_dbfs = -10;
  // Three times the loopback's noise.
  const ToneChannel tone = tone_of(rms_of_dbfs(-10), std::sqrt(3 * ms_of_dbfs(-100)));
  const Findings findings = findings_of(tone, tone, context);
  const Reading& noise = reading_of(findings, "noise", "left", Unit::kVolt);
  CHECK(within(*noise.value / context.chain->volts_of_rms(std::sqrt(2 * ms_of_dbfs(-100)), 0), 1,
               kTight));
  CHECK_FALSE(noise.uncertainty);
  CHECK_FALSE(noise.interval);
  const Reading& snr = reading_of(findings, "snr", "left", Unit::kDb);
  CHECK(snr.interval);
  CHECK(within(*snr.value, dbfs_of_rms(tone.fundamental_rms) + 100 - 10 * std::log10(2.0), 1e-6));
}

}  // namespace
}  // namespace sinewright
