// Readings of a calibrated bench against budgets worked out by hand.
#include "measure/uncertain.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include "findings/check.h"
#include "measure/noise.h"
#include "measure/power.h"
#include "measure/response.h"
#include "measure/response_curve.h"
#include "measure/tone_findings.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kDbPerRatio = 20 / std::numbers::ln10;
constexpr double kTight = 1e-9;  // rounding: every figure here is worked out in closed form

/// A meter of 0.8 % + 3 digits at 1 mV that read 2 V and 1 V; a load of 8 ohm, 0.5 % + 2 digits at
/// 10 mohm, that warms by 40 K at 50 ppm/K.
Profile calibrated_profile() {
  Profile profile;
  profile.name = "Invented bench";
  profile.hash = "0";
  profile.stability_percent = 0.1;
  profile.clock_ppm = 100;
  ScaleCalibrations input;
  input.frequency_hz = 400;
  input.meter = {0.8, 3, 0.001};
  input.channels[0] = ScaleCalibration{20, 2.0, -20, 1e-4};
  input.channels[1] = ScaleCalibration{10, 1.0, -20, 1e-4};
  Range range;
  range.name = "high";
  range.ratio = 10;
  range.calibration = input;
  profile.ranges = {range};
  LoadCalibration load;
  load.meter = {0.5, 2, 0.01};
  load.resistance_ohm = {8, 8};
  load.temperature_ppm_per_k = 50;
  load.temperature_rise_k = 40;
  profile.load.calibration = load;
  return profile;
}

LoopbackTone loopback_tone(double frequency_hz, double level_dbfs, double right_db) {
  LoopbackTone tone;
  tone.frequency_hz = frequency_hz;
  tone.drive_dbfs = level_dbfs;
  tone.phase_deg = 2;
  for (std::size_t c = 0; c < 2; ++c) {
    tone.channels[c].level_dbfs = level_dbfs + (c == 1 ? right_db : 0);
    tone.channels[c].noise_dbfs = -100;
    tone.channels[c].harmonics = {{2, -100, 0}};
  }
  return tone;
}

/// Second harmonic -100 dBc, noise -100 dBFS, all of it the input's; right 0.5 dB down at 10 kHz.
Loopback plain_loopback() {
  Loopback loopback;
  for (const double level_dbfs : {-40.0, -12.0, -1.0}) {
    for (const double frequency_hz : {20.0, 400.0, 997.0, 1000.0}) {
      loopback.tones.push_back(loopback_tone(frequency_hz, level_dbfs, 0));
    }
    loopback.tones.push_back(loopback_tone(10000, level_dbfs, -0.5));
    loopback.tones.push_back(loopback_tone(20000, level_dbfs, 0));
  }
  loopback.silent_noise_dbfs = {-100, -100};
  loopback.input_noise_dbfs = std::array<double, 2>{-100, -100};
  loopback.hum = {{2, {-80, -80}}};
  return loopback;
}

ReadingContext context_of(const Profile& profile) {
  ReadingContext context;
  context.channels = channel_names(2);
  context.chain.emplace(profile, "");
  context.sample_rate_hz = 48000;
  context.residual = residual_of(context.chain);
  context.drive_dbfs = -12;
  return context;
}

ReadingContext context_with_loopback() {
  Profile profile = calibrated_profile();
  profile.loopback = plain_loopback();
  return context_of(profile);
}

/// -10 dBFS or so, a second harmonic of `ratio`, spread 2e-4 of the level.
ToneChannel tone_of(double frequency_hz, double ratio, double noise_rms = 1e-6) {
  ToneChannel tone;
  tone.has_tone = true;
  tone.frequency_hz = frequency_hz;
  tone.frequency_deviation_hz = 1e-4;
  tone.fundamental_rms = 0.2;
  tone.level_rms = 0.2;
  tone.level_deviation = 2e-4;
  tone.harmonics = {{2, 2 * frequency_hz, {ratio, 0}, 0, ratio * ratio}};
  tone.thd = ratio;
  tone.thd_n = std::hypot(ratio, noise_rms / 0.2);
  tone.notch_thd_n = tone.thd_n;
  tone.noise_rms = noise_rms;
  tone.noise_a_rms = noise_rms;
  tone.ultrasonic_rms = 1e-6;
  tone.peaks.positive = 0.3;
  tone.peaks.negative = -0.3;
  return tone;
}

ToneAnalysis pair_of(const ToneChannel& left, const ToneChannel& right) {
  ToneAnalysis analysis;
  analysis.channels = {left, right};
  analysis.channels[1].offset = 1e-6;  // not one signal twice
  analysis.pair = TonePair{5};
  analysis.block_s = 0.5;
  return analysis;
}

Findings findings_of(const ToneAnalysis& analysis, const ReadingContext& context) {
  Findings findings;
  findings.measurement = "tone";
  findings.ended_s = 1;
  append_tone(findings, analysis, context, 0);
  return findings;
}

const Reading& reading_of(const Findings& findings, const std::string& key,
                          const std::string& channel, Unit unit) {
  const Reading* reading = find_reading(findings, key, channel, unit);
  REQUIRE(reading != nullptr);
  return *reading;
}

double standard_of(const Reading& reading) {
  REQUIRE(reading.uncertainty);
  REQUIRE(reading.k);
  return *reading.uncertainty / *reading.k;
}

// Rectangles: meter (0.8 % of 2 V + 3 mV) / 2 V, half a digit, stability; repeatabilities 1e-4 then
// and 2e-4 now.
double volts_standard() {
  const double meter = 0.019 / 2, step = 0.0005 / 2, stability = 0.001;
  return std::sqrt((meter * meter + step * step + stability * stability) / 3 + 1e-8 + 4e-8);
}

TEST_CASE("volts and watts carry the budget worked out by hand") {
  const ReadingContext context = context_of(calibrated_profile());
  const Findings findings = findings_of(pair_of(tone_of(400, 1e-3), tone_of(400, 1e-3)), context);
  const double u = volts_standard();
  const double volts = 0.2 / std::sqrt(0.5) * 20;
  const Reading& in_volts = reading_of(findings, "fundamental", "left", Unit::kVolt);
  CHECK(within(*in_volts.value, volts, kTight));
  CHECK(within(standard_of(in_volts), volts * u, kTight));
  // One rectangle dominates: its factor is 1.65, not 2.
  CHECK(*in_volts.k > 1.64);
  CHECK(*in_volts.k < 1.75);
  for (const Unit unit : {Unit::kDbv, Unit::kDbu}) {
    CHECK(within(standard_of(reading_of(findings, "fundamental", "left", unit)), kDbPerRatio * u,
                 kTight));
  }
  // Of the load: ohmmeter 0.06 ohm, two displays of 5 mohm, 2000 ppm of temperature.
  const double ohm = 0.06 / 8, step = 0.005 / 8, warm = 0.002;
  const double u_w = std::sqrt(4 * u * u + (ohm * ohm + 2 * step * step + warm * warm) / 3);
  const Reading& watts = reading_of(findings, "fundamental", "left", Unit::kWatt);
  CHECK(within(*watts.value, volts * volts / 8, kTight));
  CHECK(within(standard_of(watts), *watts.value * u_w, kTight));
  // Of the converter itself: its spread and nothing else.
  CHECK(within(standard_of(reading_of(findings, "fundamental", "left", Unit::kDbfs)),
               kDbPerRatio * 2e-4, kTight));
  const Reading& frequency = reading_of(findings, "frequency", "left", Unit::kHertz);
  CHECK(within(standard_of(frequency), std::sqrt(1e-8 + 0.04 * 0.04 / 3), kTight));
  CHECK(problems_of(findings).empty());
}

TEST_CASE("balance is that of the volts; the meter's error cancels but for its difference") {
  const ReadingContext context = context_of(calibrated_profile());
  const Findings findings = findings_of(pair_of(tone_of(400, 1e-3), tone_of(400, 1e-3)), context);
  const Reading& balance = reading_of(findings, "balance", "pair", Unit::kDb);
  CHECK(within(*balance.value, db_of_amplitude_ratio(2), kTight));
  // 0.95 % of the left against 1.1 % of the right; each with half a digit, 0.1 % and spreads.
  const double meter = 0.011 - 0.0095, left = 0.00025, right = 0.0005;
  const double u = std::sqrt((meter * meter + left * left + right * right + 2e-6) / 3 + 2 * 5e-8);
  CHECK(within(standard_of(balance), kDbPerRatio * u, kTight));
}

TEST_CASE("half of what the loopback has between two frequencies is taken out of the volts") {
  const Findings findings =
      findings_of(pair_of(tone_of(10000, 1e-3), tone_of(10000, 1e-3)), context_with_loopback());
  const double right = 0.2 / std::sqrt(0.5) * 10;
  CHECK(within(*reading_of(findings, "fundamental", "right", Unit::kVolt).value,
               right * amplitude_ratio_of_db(0.25), kTight));
  CHECK(within(*reading_of(findings, "balance", "pair", Unit::kDb).value,
               db_of_amplitude_ratio(2) - 0.25, kTight));
  // The phase goes out whole; a tenth of it stays open, beside two spreads.
  const Reading& phase = reading_of(findings, "phase", "pair", Unit::kDegree);
  CHECK(within(*phase.value, 3, kTight));
  const double spread_deg = 2e-4 * 180 / std::numbers::pi;
  CHECK(within(standard_of(phase), std::sqrt(0.04 / 3 + 1e-6 / 3 + 2 * spread_deg * spread_deg),
               kTight));
}

TEST_CASE("distortion well above the sound card's has an arcsine's uncertainty") {
  const Findings findings =
      findings_of(pair_of(tone_of(997, 1e-3), tone_of(997, 1e-3)), context_with_loopback());
  const Reading& thd = reading_of(findings, "thd", "left", Unit::kPercent);
  REQUIRE(thd.interval);
  CHECK(within(thd.interval->low, 0.099, kTight));
  CHECK(within(thd.interval->high, 0.101, kTight));
  CHECK(thd.limited_by.empty());
  CHECK(within(*thd.value, 0.1, kTight));
  // 1 % of it with unknown phase; the second order adds a few millionths.
  CHECK(within(standard_of(thd), 0.001 / std::sqrt(2.0), 1e-7));
  CHECK(within(*thd.k, 1.41, 0.01));
}

TEST_CASE("distortion like the sound card's is an interval and names it") {
  const Findings findings =
      findings_of(pair_of(tone_of(997, 2e-5), tone_of(997, 2e-5)), context_with_loopback());
  for (const Unit unit : {Unit::kPercent, Unit::kDb}) {
    const Reading& thd = reading_of(findings, "thd", "left", unit);
    CHECK(thd.limited_by == "sound_card");
    CHECK_FALSE(thd.uncertainty);
    REQUIRE(thd.interval);
  }
  CHECK(within(reading_of(findings, "thd", "left", Unit::kPercent).interval->low, 0.001, kTight));
  CHECK(within(reading_of(findings, "thd", "left", Unit::kDb).interval->high,
               db_of_amplitude_ratio(3e-5), kTight));
  const Reading& sinad = reading_of(findings, "sinad", "left", Unit::kDb);
  REQUIRE(sinad.interval);
  CHECK(within(sinad.interval->low,
               -reading_of(findings, "thd_n", "left", Unit::kDb).interval->high, kTight));
  CHECK(problems_of(findings).empty());
}

TEST_CASE("the sound card's noise is taken from the unit's as power") {
  ToneChannel tone = tone_of(997, 1e-3, 2e-5);
  const Findings findings = findings_of(pair_of(tone, tone), context_with_loopback());
  // 4e-10 as read, 0.5e-10 of the input: an eighth.
  const double volts = std::sqrt(3.5e-10) / std::sqrt(0.5) * 20;
  const Reading& noise = reading_of(findings, "noise", "left", Unit::kVolt);
  CHECK(within(*noise.value / volts, 1, 1e-6));
  CHECK(noise.interval);
  CHECK(noise.uncertainty);
  CHECK(
      within(*reading_of(findings, "noise", "left", Unit::kDbfs).value, dbfs_of_rms(2e-5), kTight));
  // More than half of 0.8e-10 is the sound card's.
  tone = tone_of(997, 1e-3, std::sqrt(0.8e-10));
  const Findings buried = findings_of(pair_of(tone, tone), context_with_loopback());
  const Reading& limited = reading_of(buried, "noise", "left", Unit::kVolt);
  CHECK(limited.limited_by == "sound_card");
  CHECK_FALSE(limited.uncertainty);
  REQUIRE(limited.interval);
  CHECK(limited.interval->high < *limited.value);
  CHECK(reading_of(buried, "snr", "left", Unit::kDb).limited_by == "sound_card");
  // Less than the loopback had: it does not fit, and nothing can be taken off.
  const OwnLevel faint = own_level({1e-6, 1000, 0, NoiseShare{1e-10, 1e-10}, {}});
  REQUIRE(faint.interval);
  CHECK(within(faint.interval->low, 0, 0));
  CHECK(within(faint.interval->high, 1e-6, 1e-18));
}

TEST_CASE("hum lines add as amplitudes of unknown phase") {
  NoiseAnalysis analysis;
  analysis.duration_s = 5;
  analysis.mains = Mains{50, 1e-3, 50, 50};
  NoiseChannel noise;
  noise.noise_rms = 1e-3;
  noise.hum_rms = 2e-4;
  noise.broadband_rms = 1e-3;
  noise.hum_lines = {{2, 100, 2e-4, 0, std::nullopt, true}};
  analysis.channels = {noise, noise};
  Findings findings;
  findings.measurement = "noise";
  findings.ended_s = 5;
  append_noise(findings, analysis, context_with_loopback(), 0);
  const double own = rms_of_dbfs(-80);
  const double volts = 20 / std::sqrt(0.5);
  REQUIRE(findings.curves.size() == 2);
  const CurvePoint& line = findings.curves[0].points.at(0);
  REQUIRE(line.interval);
  // The volts' own scale opens it: 0.55 % standard, one rectangle's k of 1.67.
  CHECK(within(line.interval->low / (volts * (2e-4 - own)), 0.9908, 2e-4));
  CHECK(within(line.interval->high / (volts * (2e-4 + own)), 1.0092, 2e-4));
  CHECK(problems_of(findings).empty());
}

TEST_CASE("every reading of a calibrated tone says how sure it is") {
  const Findings findings =
      findings_of(pair_of(tone_of(997, 1e-3), tone_of(997, 1e-3)), context_with_loopback());
  for (const Reading& reading : findings.readings) {
    // A sign, and a check.
    if (!reading.value || reading.key == "polarity" || reading.key == "notch_thd_n") continue;
    CAPTURE(reading.key);
    CAPTURE(std::string(to_string(reading.unit)));
    CHECK((reading.uncertainty || reading.interval));
  }
}

TEST_CASE("nothing carries an uncertainty on a bench that is not calibrated") {
  Profile nominal = calibrated_profile();
  nominal.ranges[0].calibration.reset();
  nominal.load.calibration.reset();
  for (const bool has_chain : {true, false}) {
    ReadingContext context = context_of(nominal);
    if (!has_chain) context.chain.reset();
    const Findings findings = findings_of(pair_of(tone_of(997, 1e-3), tone_of(997, 1e-3)), context);
    for (const Reading& reading : findings.readings) {
      CAPTURE(reading.key);
      CHECK_FALSE(reading.uncertainty);
      CHECK_FALSE(reading.interval);
      CHECK(reading.limited_by.empty());
    }
    CHECK(findings.cautions.empty());
  }
}

TEST_CASE("a calibrated bench without a loopback says once what it does not know") {
  const ReadingContext context = context_of(calibrated_profile());
  const Findings findings = findings_of(pair_of(tone_of(997, 1e-3), tone_of(997, 1e-3)), context);
  REQUIRE(findings.cautions.size() == 1);
  CHECK(findings.cautions[0].code == "no_loopback");
  CHECK_FALSE(reading_of(findings, "thd", "left", Unit::kPercent).uncertainty);
  CHECK_FALSE(reading_of(findings, "thd", "left", Unit::kPercent).interval);
}

TEST_CASE("hum on a harmonic is said where a block cannot tell them apart") {
  const ReadingContext context = context_with_loopback();
  const auto has_hum = [&](double frequency_hz) {
    const Findings findings =
        findings_of(pair_of(tone_of(frequency_hz, 1e-3), tone_of(frequency_hz, 1e-3)), context);
    return std::any_of(findings.cautions.begin(), findings.cautions.end(),
                       [](const Caution& c) { return c.code == "hum_on_harmonic"; });
  };
  CHECK(has_hum(100));        // its second is 4 x 50 Hz
  CHECK(has_hum(60.9));       // 1.8 Hz off 2 x 60 Hz, blocks of half a second tell 2 Hz
  CHECK_FALSE(has_hum(65));   // 130 Hz
  CHECK_FALSE(has_hum(997));  // too high to matter
}

TEST_CASE("the sound card's response is taken out of the curve") {
  const ReadingContext context = context_with_loopback();
  std::vector<Findings> steps;
  for (const double frequency_hz : {400.0, 1000.0, 10000.0, 20000.0}) {
    steps.push_back(
        findings_of(pair_of(tone_of(frequency_hz, 1e-3), tone_of(frequency_hz, 1e-3)), context));
  }
  Findings findings;
  findings.measurement = "response";
  append_response(findings, steps, ResponseSettings{}, context);
  const Curve& right = *std::find_if(findings.curves.begin(), findings.curves.end(),
                                     [](const Curve& curve) { return curve.channel == "right"; });
  REQUIRE(right.points.size() == 4);
  CHECK(within(*right.points[2].y, 0.5, kTight));
  // Two spreads of 2e-4; nothing stays open at a frequency of the loopback. Normal: k = 2.
  CHECK(within(*right.points[2].uncertainty, 2 * kDbPerRatio * 2e-4 * std::sqrt(2.0), 1e-6));
  const Reading& flatness = reading_of(findings, "flatness", "right", Unit::kDb);
  CHECK(within(*flatness.value, 0.25, kTight));
  CHECK(within(standard_of(flatness), kDbPerRatio * 2e-4, kTight));  // half of sqrt(2) sqrt(2)
  CHECK(problems_of(findings).empty());
}

TEST_CASE("the reference of a response is 0 by definition, and as sure") {
  const ReadingContext context = context_with_loopback();
  std::vector<Findings> steps;
  for (const double frequency_hz : {400.0, 1000.05, 10000.0}) {
    steps.push_back(
        findings_of(pair_of(tone_of(frequency_hz, 1e-3), tone_of(frequency_hz, 1e-3)), context));
  }
  const std::vector<ResponsePoint> points = response_points(steps, "left", context);
  REQUIRE(points.size() == 3);
  CHECK(points[1].level_db == 0);
  REQUIRE(points[1].sure);
  CHECK(points[1].sure->expanded == 0);
  CHECK(within(points[2].sure->standard, kDbPerRatio * 2e-4 * std::sqrt(2.0), kTight));
}

TEST_CASE("of a foreign source half of the loopback is taken out, and half stays open") {
  ReadingContext context = context_with_loopback();
  context.drive_dbfs.reset();
  std::vector<Findings> steps;
  for (const double frequency_hz : {1000.0, 10000.0}) {
    steps.push_back(
        findings_of(pair_of(tone_of(frequency_hz, 1e-3), tone_of(frequency_hz, 1e-3)), context));
  }
  const Reading& phase = reading_of(steps[1], "phase", "pair", Unit::kDegree);
  CHECK(within(*phase.value, 4, kTight));  // 5 as read, 2 in the loopback
  const double spread_deg = 2e-4 * 180 / std::numbers::pi;
  CHECK(within(standard_of(phase), std::sqrt(1.0 / 3 + 1e-6 / 3 + 2 * spread_deg * spread_deg),
               kTight));
  const std::vector<ResponsePoint> points = response_points(steps, "right", context);
  REQUIRE(points.size() == 2);
  CHECK(within(points[1].level_db, 0.25, kTight));
  REQUIRE(points[1].sure);
  const double open = kDbPerRatio * (amplitude_ratio_of_db(0.25) - 1) / std::sqrt(3.0);
  const double spread = kDbPerRatio * 2e-4 * std::sqrt(2.0);
  CHECK(within(points[1].sure->standard, std::hypot(open, spread), kTight));
}

TEST_CASE("beyond the loopback's frequencies a caution says that nothing is corrected") {
  const ReadingContext context = context_with_loopback();
  const auto is_told = [&](double frequency_hz) {
    const Findings step =
        findings_of(pair_of(tone_of(frequency_hz, 1e-3), tone_of(frequency_hz, 1e-3)), context);
    Findings findings;
    findings.measurement = "response";
    append_response(findings, std::span(&step, 1), ResponseSettings{}, context);
    return std::any_of(findings.cautions.begin(), findings.cautions.end(),
                       [](const Caution& c) { return c.code == "response_uncorrected"; });
  };
  CHECK(is_told(20500));
  CHECK(is_told(15));
  CHECK_FALSE(is_told(20000));
  CHECK_FALSE(is_told(19.95));
}

TEST_CASE("the notch's THD+N is a check: as read, no uncertainty") {
  const Findings findings =
      findings_of(pair_of(tone_of(997, 1e-3), tone_of(997, 1e-3)), context_with_loopback());
  const Reading& notch = reading_of(findings, "notch_thd_n", "left", Unit::kDb);
  CHECK_FALSE(notch.uncertainty);
  CHECK_FALSE(notch.interval);
  CHECK(notch.limited_by.empty());
  CHECK(notch.note == "check of THD+N");
}

TEST_CASE("the load in the conditions is the one that watts are computed with") {
  Profile profile = calibrated_profile();
  profile.load.resistance_ohm = 8;
  profile.load.calibration->resistance_ohm = {7.9, 8.1};
  const auto load_of = [&] {
    for (const Condition& condition : context_conditions(context_of(profile))) {
      if (condition.key == "load_ohm") return condition.value;
    }
    return ConditionValue();
  };
  CHECK(load_of() == ConditionValue(std::vector<double>{7.9, 8.1}));
  profile.load.calibration.reset();
  CHECK(load_of() == ConditionValue(8.0));
}

TEST_CASE("distortion-limited output has the watts' uncertainty and that of THD+N over the slope") {
  const auto step = [](double watts, double percent) {
    Findings findings;
    findings.measurement = "tone";
    append_reading(findings, "fundamental", "left", -10, Unit::kDbfs);
    Reading& level = append_reading(findings, "level", "left", watts, Unit::kWatt);
    level.uncertainty = 0.02 * watts;
    level.k = 2;
    Reading& thd_n = append_reading(findings, "thd_n", "left", percent, Unit::kPercent);
    thd_n.uncertainty = 0.1 * percent;
    thd_n.k = 2;
    return findings;
  };
  Findings findings;
  findings.measurement = "power";
  const std::vector<double> thresholds = {1};
  append_power(findings, std::vector<Findings>{step(50, 0.5), step(60, 2)}, thresholds);
  const Reading& output =
      reading_of(findings, "distortion_limited_output_1_percent", "left", Unit::kWatt);
  CHECK(within(*output.value, std::sqrt(50.0 * 60), kTight));
  // d ln P / d ln THD+N between both steps.
  const double slope = std::log(1.2) / std::log(4.0);
  CHECK(within(standard_of(output), *output.value * std::hypot(0.01, slope * 0.05), kTight));
}

}  // namespace
}  // namespace sinewright
