// Calibrating input and output: a tone that the technician's meter and the sound card both read.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"
#include "measure/calibrate_tone.h"
#include "measure/power_run.h"

namespace sinewright {
namespace {

constexpr const char* kInput = "input";
constexpr const char* kOutput = "output";
constexpr double kFaint_dbfs = -40;
constexpr double kSettling_s = 0.4;
constexpr double kIdle_s = 0.05;
/// The input's level is kept below: parts off by 10 % must not make it clip.
constexpr double kHighestInput_dbfs = -2;
/// Gain beyond what the profile lets expect, either way, that is no tolerance of parts.
constexpr double kStrangeGain_db = 8;
/// How far both looks, before and after the meter was read, may lie apart.
constexpr double kLargestMove = 0.005;
/// Hum of leads that hang open must not cut the tone.
constexpr double kGuardFloor_dbfs = -30;

constexpr const char* kTipHint =
    "Set the meter to AC volts, with the lowest range that still holds 2 V. ";
constexpr const char* kMeterCauses =
    "is the meter on AC volts, does it show mV, is the range switch of the divider where it should "
    "be, or the gain knob elsewhere";

std::string tone_text(const CalibrationTone& tone) {
  return fmt::format(
      "Then a tone of {:g} Hz sounds: a cheap meter's AC range is good at a few hundred hertz and "
      "falls off above 400 to 1000 Hz; and off the multiples of 50 and 60 Hz, hum is told apart.",
      tone.frequency_hz);
}

std::string divider_text(const Session& session, const CalibrationTone& tone,
                         const std::string& range_note) {
  return fmt::format(
      "No amplifier is needed, and none may be connected: between meter and sound card there is "
      "only a tone of the sound card itself.\n"
      "- plug the sound card's outputs into the divider's top, left to left, right to right, "
      "where the amplifier's terminals would go; the dummy load is off\n"
      "- the divider's taps stay on the sound card's inputs{}\n"
      "- system volume and the card's gain knobs go where they will stay from now on: mark them; "
      "whoever moves one calibrates again\n"
      "- direct monitoring, effects and enhancements are off\n"
      "{} It comes to {:.2g} V or so.",
      range_note, tone_text(tone),
      output_full_scale_vrms(session.chain()->profile(), 0) *
          amplitude_ratio_of_db(tone.drive_dbfs));
}

std::string terminals_text(const Session& session, const CalibrationTone& tone, double watts) {
  return fmt::format(
      "Wire the unit as for a measurement: sound card to its input, load and divider at its "
      "terminals, divider on range {}. Volume to its minimum before it is switched on. The tone "
      "rises to {:.2g} W and never above 1 W. {}\n{}",
      session.chain()->range().name, watts, tone_text(tone), kPowerChecklist);
}

std::string meter_text(const char* where, std::size_t channel, double frequency_hz) {
  return fmt::format(
      "{}The tips go {} of {}, tip and ground; wait until the last digit rests. A tone of {:g} Hz "
      "is playing.",
      kTipHint, where, side_name(channel), frequency_hz);
}

void refuse_coarse_meter(const char* step, const MeterAccuracy& meter, double reading_v) {
  constexpr double kCoarsest = 0.1;  // of the reading
  const double bound = meter.half_width(reading_v) / reading_v;
  if (bound <= kCoarsest) return;
  refuse_step(step,
              fmt::format("{:g} V on a meter of +-({:g} % + {:g} digits of {:g} V) may be off by "
                          "{:.0f} %: choose the meter's lowest range that holds it, and give "
                          "its resolution",
                          reading_v, meter.percent, meter.digits, meter.resolution, 100 * bound));
}

void require_chain(const Session& session, const char* step, const CalibrationTone& tone) {
  if (!session.chain()) {
    throw Error(ExitCode::kUsage,
                fmt::format("calibrate {}: needs a bench profile; give --bench FILE", step));
  }
  if (!(tone.duration_s >= 0.2 && tone.drive_dbfs <= 0 && tone.drive_dbfs >= -40)) {
    throw Error(ExitCode::kUsage, fmt::format("calibrate {}: a tone of -40 to 0 dBFS, 0.2 s or "
                                              "longer, is needed",
                                              step));
  }
}

/// Asks for one reading while the tone plays on. 0 and less is no reading.
std::optional<double> read_meter(Session& session, const char* step, const MeterPoint& point,
                                 const std::string& text, Operator& person,
                                 const Progress& progress) {
  const std::optional<double> reading =
      person.reads_meter(point, text, [&] { session.idle(kIdle_s); });
  check_cancelled(progress, step);
  if (session.was_cut()) {
    refuse_step(step, "the tone was cut while the meter was read: the input came near full scale");
  }
  if (reading && !(*reading > 0 && std::isfinite(*reading))) {
    refuse_step(step, fmt::format("the meter reads {:g} V at {}: is it on AC volts, and are the "
                                  "tips where the tone is",
                                  *reading, side_name(point.channel)));
  }
  return reading;
}

void guard_gain(Session& session, double drive_dbfs) {
  double highest_dbfs = kGuardFloor_dbfs;
  for (std::size_t c = 0; c < session.channels(); ++c) {
    highest_dbfs = std::max(highest_dbfs,
                            drive_dbfs + expected_gain_db(*session.chain(), c) + kStrangeGain_db);
  }
  constexpr double kNearFullScale_rms = 0.68;
  session.guard(std::min(kNearFullScale_rms, rms_of_dbfs(highest_dbfs)));
}

/// Whether an amplifier seems to be in the way.
bool is_strangely_loud(const Session& session, const SteadyLevel& level, double drive_dbfs) {
  for (std::size_t c = 0; c < session.channels(); ++c) {
    const double expected_dbfs = drive_dbfs + expected_gain_db(*session.chain(), c);
    if (level.fundamental_rms[c] > rms_of_dbfs(expected_dbfs + kStrangeGain_db)) return true;
  }
  return false;
}

/// The drive for the divider's top: as asked, lowered where the input would clip.
double drive_at_divider(Session& session, const CalibrationTone& tone) {
  guard_gain(session, kFaint_dbfs);
  const std::array<double, 2> gain_db =
      check_channels(session, kInput, tone.frequency_hz, kFaint_dbfs);
  double drive_dbfs = tone.drive_dbfs;
  for (std::size_t c = 0; c < session.channels(); ++c) {
    const double strange_db = gain_db[c] - expected_gain_db(*session.chain(), c);
    if (std::abs(strange_db) > kStrangeGain_db) {
      refuse_step(
          kInput,
          fmt::format("{} comes back {:.1f} dB {} than the profile lets expect on range "
                      "{}: is the range switch there, the system's volume up, the gain "
                      "knob where it belongs, no amplifier in the way",
                      side_name(c), std::abs(strange_db), strange_db > 0 ? "louder" : "fainter",
                      session.chain()->range().name));
    }
    drive_dbfs = std::min(drive_dbfs, kHighestInput_dbfs - gain_db[c]);
  }
  guard_gain(session, drive_dbfs);
  return drive_dbfs;
}

void check_looks(const SteadyLevel& before, const SteadyLevel& after, std::size_t channels) {
  if (before.clips || after.clips) {
    refuse_step(kInput, "the input clips; give a lower --drive, or turn its gain down");
  }
  for (std::size_t c = 0; c < channels; ++c) {
    const double first = before.fundamental_rms[c];
    const double second = after.fundamental_rms[c];
    if (!(first > 0 && second > 0)) {
      refuse_step(kInput, fmt::format("{} went away while the meter was read", side_name(c)));
    }
    const double noise = 6 * std::hypot(before.deviation[c], after.deviation[c]);
    if (std::abs(first / second - 1) <= kLargestMove + noise) continue;
    refuse_step(kInput, fmt::format("{} moved by {:.2f} % while the meter was read, so reading and "
                                    "level do not belong together; leave every knob, warm up for a "
                                    "quarter of an hour, and repeat",
                                    side_name(c), 100 * std::abs(first / second - 1)));
  }
}

ScaleCalibrations begin_calibrations(Session& session, const CalibrationTone& tone,
                                     const MeterAccuracy& meter) {
  ScaleCalibrations calibrations;
  calibrations.date = calibration_date();
  calibrations.device = session.stream().device();
  calibrations.sample_rate_hz = session.sample_rate().hz;
  calibrations.frequency_hz = tone.frequency_hz;
  calibrations.drive_dbfs = session.drive_dbfs();
  calibrations.meter = meter;
  return calibrations;
}

void require_any(const ScaleCalibrations& calibrations, const char* step) {
  if (calibrations.channels[0] || calibrations.channels[1]) return;
  refuse_step(step, "no channel was read");
}

}  // namespace

ScaleCalibrations calibrate_input(Session& session, const InputCalibrationSettings& settings,
                                  Operator& person, Progress& progress) {
  const CalibrationTone& tone = settings.tone;
  require_chain(session, kInput, tone);
  const Chain& chain = *session.chain();
  const bool is_at_unit = settings.at == CalibratedAt::kTerminals;
  if (is_at_unit && !(settings.terminal_w > 0 && settings.terminal_w <= 1)) {
    throw Error(ExitCode::kUsage, "calibrate input: at the terminals up to 1 W is allowed");
  }
  const std::string text =
      is_at_unit
          ? terminals_text(session, tone, settings.terminal_w)
          : divider_text(session, tone, fmt::format(", range switch on {}", chain.range().name));
  if (!person.wires(is_at_unit ? Wiring::kUnit : Wiring::kDividerTop, text)) {
    refuse_step(kInput, "stopped before anything was played");
  }

  const SoundingTone sounding(session);
  if (is_at_unit) {
    static_cast<void>(drive_unit_to(session, kInput, tone, settings.terminal_w, person, progress));
  } else {
    session.play({tone.frequency_hz}, drive_at_divider(session, tone));
    session.settle(kSettling_s);
  }
  progress.report(0.5, "the meter");
  const SteadyLevel before = read_level(session, tone.frequency_hz, tone.duration_s / 2);
  std::array<std::optional<double>, 2> meter_v;
  for (std::size_t c = 0; c < session.channels(); ++c) {
    const MeterPoint point{
        is_at_unit ? MeterPoint::Place::kTerminals : MeterPoint::Place::kDividerTop, c};
    const char* where = is_at_unit ? "to the unit's terminals" : "to the divider's top";
    meter_v[c] = read_meter(session, kInput, point, meter_text(where, c, tone.frequency_hz), person,
                            progress);
    if (!meter_v[c]) continue;
    // At once, before the other channel is asked for.
    refuse_coarse_meter(kInput, settings.meter, *meter_v[c]);
    const double rms = is_at_unit ? before.level_rms[c] : before.fundamental_rms[c];
    check_against_nominal(
        kInput, fmt::format("{}'s full scale on range {}", side_name(c), chain.range().name),
        *meter_v[c] / amplitude_ratio_of_db(dbfs_of_rms(rms)),
        chain.profile().input_full_scale_vrms * chain.range().ratio, "V", kMeterCauses);
  }
  const SteadyLevel after = read_level(session, tone.frequency_hz, tone.duration_s / 2);
  check_looks(before, after, session.channels());

  ScaleCalibrations calibrations = begin_calibrations(session, tone, settings.meter);
  calibrations.is_through_unit = is_at_unit;
  const SteadyLevel level = mean_of(before, after);
  for (std::size_t c = 0; c < session.channels(); ++c) {
    if (!meter_v[c]) continue;
    // At the unit the meter reads hum and noise too; here there are none, and the tone alone stands
    // clear of the input's own noise.
    const double rms = is_at_unit ? level.level_rms[c] : level.fundamental_rms[c];
    ScaleCalibration found;
    found.meter_v = *meter_v[c];
    found.level_dbfs = dbfs_of_rms(rms);
    found.full_scale_vrms = found.meter_v / amplitude_ratio_of_db(found.level_dbfs);
    found.repeatability = level.deviation[c];
    calibrations.channels[c] = found;
  }
  require_any(calibrations, kInput);
  return calibrations;
}

ScaleCalibrations calibrate_output(Session& session, const CalibrationTone& tone,
                                   const MeterAccuracy& meter, Operator& person,
                                   Progress& progress) {
  require_chain(session, kOutput, tone);
  if (!person.wires(Wiring::kDividerTop, divider_text(session, tone, ""))) {
    refuse_step(kOutput, "stopped before anything was played");
  }
  const SoundingTone sounding(session);
  guard_gain(session, kFaint_dbfs);
  // What does not come back tells nothing of what hangs on the output: no louder unheard.
  static_cast<void>(check_channels(session, kOutput, tone.frequency_hz, kFaint_dbfs));
  for (const double drive_dbfs : {kFaint_dbfs, tone.drive_dbfs}) {
    guard_gain(session, drive_dbfs);
    session.play({tone.frequency_hz}, drive_dbfs);
    session.settle(kSettling_s);
    // The guard alone would pass over it: it must bear the hum of leads that hang open.
    const SteadyLevel level = read_level(session, tone.frequency_hz, 0.1);
    if (!session.was_cut() && !is_strangely_loud(session, level, drive_dbfs)) continue;
    refuse_step(kOutput, fmt::format("at {:g} dBFS far more comes back than the profile lets "
                                     "expect: is an amplifier connected? The tone was cut",
                                     drive_dbfs));
  }
  ScaleCalibrations calibrations = begin_calibrations(session, tone, meter);
  const double ratio = amplitude_ratio_of_db(tone.drive_dbfs);
  const auto outputs =
      std::min<std::size_t>(2, static_cast<std::size_t>(session.stream().output_channels()));
  for (std::size_t c = 0; c < outputs; ++c) {
    progress.report(0.3 + 0.3 * static_cast<double>(c), "the meter");
    const std::optional<double> meter_v = read_meter(
        session, kOutput, {MeterPoint::Place::kOutput, c},
        meter_text("to the sound card's output", c, tone.frequency_hz), person, progress);
    if (!meter_v) continue;
    ScaleCalibration found;
    found.meter_v = *meter_v;
    found.level_dbfs = tone.drive_dbfs;
    found.full_scale_vrms = *meter_v / ratio;
    check_against_nominal(kOutput, fmt::format("{}'s output at full scale", side_name(c)),
                          found.full_scale_vrms, session.chain()->profile().output_full_scale_vrms,
                          "V",
                          "is the meter on AC volts, does it show mV, or the system's volume not "
                          "where it was");
    calibrations.channels[c] = found;
  }
  require_any(calibrations, kOutput);
  return calibrations;
}

}  // namespace sinewright
