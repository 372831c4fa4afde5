// The sound card by itself: output wired to input, at several levels and frequencies.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "dsp/noise_analysis.h"
#include "findings/error.h"
#include "measure/calibrate_tone.h"
#include "measure/loopback_plan.h"

namespace sinewright {
namespace {

constexpr const char* kStep = "loopback";
constexpr double kGainTone_hz = 997;
constexpr double kFaint_dbfs = -40;
/// The climb's level between a whisper and the highest.
constexpr double kMiddle_dbfs = -20;
/// The bare loop fits the ratio of both full scales this well; an amplifier does not.
constexpr double kLargestMisfit = 1.5;
/// A loop of cables has one gain at all levels; a limiter or automatic gain has not.
constexpr double kLargestBend_db = 1;
/// How far the first tone may have moved when it is repeated at the end: as both looks of input.
constexpr double kLargestMove = 0.005;
/// Guards stand so far above what is expected to come back...
constexpr double kGuard_db = 6;
/// ...and never below this: hum alone must not cut the tone.
constexpr double kGuardFloor_dbfs = -30;
constexpr double kSilence_s = 0.5;
/// A level predicted above this at the input is not played: it would clip.
constexpr double kClips_dbfs = -0.1;
/// More than a full-scale sine by half a decibel: the loop howls.
constexpr double kHowl_rms = 0.75;
/// A harmonic counts as seen above this many of its own standard deviations: in 60 tones of up to
/// 1000 harmonics fewer than one is noise.
constexpr double kSeen = 5;
constexpr double kNothing_dbfs = -200;
/// A loop without a converter in it has harmonics of rounding alone, a thousand of a low tone; what
/// is fainter or higher than this limits no reading by itself, and counts with the floor.
constexpr double kFaintestKept_dbc = -160;
constexpr int kHighestKeptOrder = 100;
constexpr double kStrangeAttenuation_db = 3;
/// The faint tone may come back this loud through the divider; nothing but an amplifier exceeds it.
constexpr double kDividedGuard_dbfs = -35;
/// Through the divider all harmonics up to here are kept, seen or not: what counts is the
/// difference from the loopback, whose harmonics may have cancelled.
constexpr int kHighestDividedOrder = 10;

constexpr const char* kText =
    "Now the sound card measures itself.\n"
    "- unplug amplifier and divider: a cable from each output straight to the input of its side, "
    "left to left, right to right, and nothing else\n"
    "- direct monitoring is off: it would feed the input back into the output\n"
    "- the gain knobs and the system's volume stay where they are marked";

constexpr const char* kTerminatedText =
    "Then the input alone: pull the cables out of the inputs and close both inputs with plugs that "
    "hold a short or a low resistance, as low as the divider's. This tells the input's own noise "
    "from the output's. Declining leaves it open, and later readings near the noise are wider.";

std::string divider_text(const Range& range) {
  return fmt::format(
      "Last, the output alone: no unit; sound card's outputs to the divider's top, left to left, "
      "right to right, the divider to the inputs as for a measurement, range switch on {}. With "
      "the input that far down, the distortion that is left is the output's. Declining leaves open "
      "whether distortion of output and input cancels in the loopback.",
      range.name);
}

double dbfs_or_nothing(double rms) {
  return rms > 0 ? std::max(kNothing_dbfs, dbfs_of_rms(rms)) : kNothing_dbfs;
}

NoiseAnalysis silence_of(Session& session, double duration_s) {
  NoiseSettings settings;
  settings.band = session.settings().band;
  settings.quasi_peak = false;
  NoiseAnalyzer analyzer(session.sample_rate(), static_cast<int>(session.channels()), settings);
  analyzer.push(session.capture(duration_s).frames);
  const std::optional<NoiseAnalysis> analysis = analyzer.result();
  if (!analysis) refuse_step(kStep, "the silence is too short to be read");
  return *analysis;
}

/// Before anything is played: a loop that howls does so by itself.
void check_silence(Session& session) {
  const Capture capture = session.capture(kSilence_s);
  double sum = 0;
  for (const double x : capture.frames) sum += x * x;
  const double rms = std::sqrt(sum / static_cast<double>(capture.frames.size()));
  if (dbfs_or_nothing(rms) < -30) return;
  refuse_step(kStep, fmt::format("{:.0f} dBFS come back though nothing is played: the loop feeds "
                                 "back (direct monitoring), or another program plays",
                                 dbfs_of_rms(rms)));
}

double expected_loop_gain_db(const Profile& profile, std::size_t channel) {
  return db_of_amplitude_ratio(output_full_scale_vrms(profile, channel) /
                               profile.input_full_scale_vrms);
}

void guard_loop(Session& session, double highest_dbfs) {
  const double guard_dbfs = std::max(kGuardFloor_dbfs, highest_dbfs + kGuard_db);
  session.guard(std::min(kHowl_rms, rms_of_dbfs(guard_dbfs)));
}

/// Gain at one level. An amplifier behind the divider may come back no louder than a cable does,
/// so only what both full scales say is let through.
std::array<double, 2> gain_at(Session& session, double drive_dbfs) {
  const Profile& profile = session.chain()->profile();
  const std::array<double, 2> expected_db = {expected_loop_gain_db(profile, 0),
                                             expected_loop_gain_db(profile, 1)};
  guard_loop(session, drive_dbfs + std::max(expected_db[0], expected_db[1]));
  const std::array<double, 2> gain_db = check_channels(session, kStep, kGainTone_hz, drive_dbfs);
  for (std::size_t c = 0; c < 2; ++c) {
    const double misfit_db = gain_db[c] - expected_db[c];
    if (std::abs(misfit_db) <= db_of_amplitude_ratio(kLargestMisfit)) continue;
    refuse_step(kStep,
                fmt::format("{} comes back {:.1f} dB {} at {:g} dBFS than the full scales of "
                            "output and input in the profile let expect: is an amplifier or the "
                            "divider still in the loop, or the volume or a gain knob elsewhere",
                            side_name(c), std::abs(misfit_db), misfit_db > 0 ? "louder" : "fainter",
                            drive_dbfs));
  }
  return gain_db;
}

double highest_unclipped_dbfs(const std::vector<double>& drives_dbfs, double gain_db) {
  double highest_dbfs = kFaint_dbfs;
  for (const double drive_dbfs : drives_dbfs) {
    if (drive_dbfs + gain_db <= kClips_dbfs) highest_dbfs = std::max(highest_dbfs, drive_dbfs);
  }
  return highest_dbfs;
}

/// From a whisper to the highest level, the gain found anew at each; returns it.
std::array<double, 2> climb(Session& session, const LoopbackSettings& settings) {
  const std::array<double, 2> gain_db = gain_at(session, kFaint_dbfs);
  const double louder_db = std::max(gain_db[0], gain_db[1]);
  const double top_dbfs = highest_unclipped_dbfs(settings.drives_dbfs, louder_db);
  for (const double drive_dbfs : {kMiddle_dbfs, top_dbfs}) {
    if (drive_dbfs > top_dbfs || drive_dbfs <= kFaint_dbfs) continue;
    const std::array<double, 2> again_db = gain_at(session, drive_dbfs);
    for (std::size_t c = 0; c < 2; ++c) {
      if (std::abs(again_db[c] - gain_db[c]) <= kLargestBend_db) continue;
      refuse_step(kStep,
                  fmt::format("{} has {:.1f} dB of gain at {:g} dBFS and {:.1f} dB at {:g} "
                              "dBFS: a limiter, automatic gain, or no bare cable; take "
                              "that out",
                              side_name(c), gain_db[c], kFaint_dbfs, again_db[c], drive_dbfs));
    }
  }
  guard_loop(session, top_dbfs + louder_db);
  return gain_db;
}

LoopbackTone::Channel channel_of(const ToneChannel& tone) {
  LoopbackTone::Channel channel;
  channel.level_dbfs = dbfs_of_rms(tone.fundamental_rms);
  channel.noise_dbfs = dbfs_or_nothing(tone.noise_rms);
  double floor = 0;
  for (const HarmonicLevel& harmonic : tone.harmonics) {
    const double ratio = std::abs(harmonic.ratio);
    floor = std::max(floor, kSeen * harmonic.deviation);
    if (ratio <= kSeen * harmonic.deviation) {
      floor = std::max(floor, ratio + 2 * harmonic.deviation);
      continue;
    }
    const double unbiased = std::sqrt(std::max(harmonic.power_ratio, 0.0));
    const double level_dbc = db_of_amplitude_ratio(unbiased);
    if (harmonic.order > kHighestKeptOrder || level_dbc < kFaintestKept_dbc) {
      floor = std::max(floor, unbiased);
      continue;
    }
    channel.harmonics.push_back(
        {harmonic.order, level_dbc, std::arg(harmonic.ratio) * 360 / kTwoPi});
  }
  channel.floor_dbc = floor > 0 ? std::max(-200.0, db_of_amplitude_ratio(floor)) : -200;
  return channel;
}

/// Low orders whether seen or not; the floor from their mean deviation.
LoopbackTone::Channel divided_channel_of(const ToneChannel& tone) {
  LoopbackTone::Channel channel = channel_of(tone);
  channel.harmonics.clear();
  double variance = 0;
  for (const HarmonicLevel& harmonic : tone.harmonics) {
    if (harmonic.order > kHighestDividedOrder) break;
    variance += harmonic.deviation * harmonic.deviation;
    channel.harmonics.push_back({harmonic.order,
                                 std::max(-200.0, db_of_amplitude_ratio(std::abs(harmonic.ratio))),
                                 std::arg(harmonic.ratio) * 360 / kTwoPi});
  }
  if (channel.harmonics.empty() || !(variance > 0)) return channel;
  variance /= static_cast<double>(channel.harmonics.size());
  channel.floor_dbc = std::max(-200.0, db_of_amplitude_ratio(kSeen * std::sqrt(variance)));
  return channel;
}

/// One step; none where the input clips.
std::optional<LoopbackTone> tone_at(Session& session, double frequency_hz, double drive_dbfs,
                                    double step_s,
                                    LoopbackTone::Channel (*keep)(const ToneChannel&)) {
  session.play({frequency_hz}, drive_dbfs);
  session.settle(loopback_settling_s(frequency_hz));
  ToneAnalysis analysis;
  static_cast<void>(session.measure_tone(session.capture(std::max(step_s, 5.2 / frequency_hz)),
                                         {frequency_hz}, &analysis));
  if (session.was_cut()) {
    refuse_step(kStep,
                "far more comes back than the tone lets expect: the loop howls (switch direct "
                "monitoring off), or the wiring changed meanwhile");
  }
  LoopbackTone tone;
  tone.frequency_hz = frequency_hz;
  tone.drive_dbfs = drive_dbfs;
  if (analysis.pair) tone.phase_deg = analysis.pair->phase_deg;
  for (std::size_t c = 0; c < 2; ++c) {
    const ToneChannel& found = analysis.channels[c];
    if (found.peaks.full_scale_runs > 0) return std::nullopt;
    if (!found.has_tone) {
      refuse_step(kStep, fmt::format("{} went away at {:g} Hz, {:g} dBFS", side_name(c),
                                     frequency_hz, drive_dbfs));
    }
    tone.channels[c] = keep(found);
  }
  return tone;
}

void measure_tones(Session& session, const LoopbackSettings& settings, double gain_db,
                   Loopback& loopback, Progress& progress) {
  const std::vector<double> frequencies_hz =
      loopback_frequencies_hz(settings, session.sample_rate());
  const double steps = static_cast<double>(frequencies_hz.size() * settings.drives_dbfs.size());
  double done = 0;
  for (const double frequency_hz : frequencies_hz) {
    for (const double drive_dbfs : settings.drives_dbfs) {
      check_cancelled(progress, kStep);
      progress.report(done++ / steps, fmt::format("{:g} Hz, {:g} dBFS", frequency_hz, drive_dbfs));
      if (drive_dbfs + gain_db > kClips_dbfs) continue;
      if (auto tone = tone_at(session, frequency_hz, drive_dbfs, settings.step_s, channel_of)) {
        loopback.tones.push_back(std::move(*tone));
      }
    }
  }
  if (loopback.tones.empty()) refuse_step(kStep, "the input clips at every level; lower its gain");
}

/// What moved meanwhile spoils the whole table: tones of different levels would not fit together.
void repeat_first(Session& session, const LoopbackSettings& settings, const LoopbackTone& first,
                  Progress& progress) {
  check_cancelled(progress, kStep);
  progress.report(1, "the first tone again");
  const auto again =
      tone_at(session, first.frequency_hz, first.drive_dbfs, settings.step_s, channel_of);
  for (std::size_t c = 0; c < 2; ++c) {
    const LoopbackTone::Channel& before = first.channels[c];
    const double change =
        again ? amplitude_ratio_of_db(again->channels[c].level_dbfs - before.level_dbfs) - 1 : 1;
    const double noise = 6 * amplitude_ratio_of_db(before.noise_dbfs - before.level_dbfs) /
                         std::sqrt(settings.step_s * session.sample_rate().hz);
    if (std::abs(change) <= kLargestMove + noise) continue;
    refuse_step(kStep, fmt::format("{} moved by {:.2f} % from the first tone to its repeat at the "
                                   "end; leave every knob, warm up for a quarter of an hour, and "
                                   "repeat",
                                   side_name(c), 100 * std::abs(change)));
  }
}

void measure_silence(Session& session, double duration_s, Loopback& loopback) {
  session.silence();
  session.settle(kSilence_s);
  const NoiseAnalysis silence = silence_of(session, duration_s);
  for (std::size_t c = 0; c < 2; ++c) {
    loopback.silent_noise_dbfs[c] = dbfs_or_nothing(silence.channels[c].broadband_rms);
  }
  const std::size_t orders =
      std::min(silence.channels[0].hum_lines.size(), silence.channels[1].hum_lines.size());
  for (std::size_t i = 0; i < orders; ++i) {
    const HumLine& left = silence.channels[0].hum_lines[i];
    const HumLine& right = silence.channels[1].hum_lines[i];
    if (!left.above_noise && !right.above_noise) continue;
    loopback.hum.push_back({left.order, {dbfs_or_nothing(left.rms), dbfs_or_nothing(right.rms)}});
  }
}

void check_attenuation(const Range& range, const std::array<double, 2>& loop_db,
                       const std::array<double, 2>& divided_db) {
  const double expected_db = db_of_amplitude_ratio(range.ratio);
  for (std::size_t c = 0; c < 2; ++c) {
    const double found_db = loop_db[c] - divided_db[c];
    if (std::abs(found_db - expected_db) <= kStrangeAttenuation_db) continue;
    refuse_step(kStep,
                fmt::format("the divider lowers {} by {:.1f} dB, and the profile says {:.1f} "
                            "dB on range {}: is the range switch there, no unit in the way, "
                            "every knob where it was",
                            side_name(c), found_db, expected_db, range.name));
  }
}

void measure_through_divider(Session& session, const LoopbackSettings& settings,
                             const std::array<double, 2>& loop_db, Loopback& loopback,
                             Progress& progress) {
  session.guard(rms_of_dbfs(kDividedGuard_dbfs));
  const std::array<double, 2> divided_db =
      check_channels(session, kStep, kGainTone_hz, kFaint_dbfs);
  check_attenuation(session.chain()->range(), loop_db, divided_db);
  const double highest_dbfs =
      std::max(divided_db[0], divided_db[1]) + kStrangeAttenuation_db;  // 0 dBFS played at most
  session.guard(rms_of_dbfs(highest_dbfs));
  for (const double frequency_hz : divider_frequencies_hz(settings, session.sample_rate())) {
    for (const double drive_dbfs : settings.divider_drives_dbfs) {
      check_cancelled(progress, kStep);
      progress.report(1, fmt::format("divider, {:g} Hz, {:g} dBFS", frequency_hz, drive_dbfs));
      if (auto tone = tone_at(session, frequency_hz, drive_dbfs, settings.divider_step_s,
                              divided_channel_of)) {
        loopback.output_tones.push_back(std::move(*tone));
      }
    }
  }
  session.silence();
}

}  // namespace

Loopback calibrate_loopback(Session& session, const LoopbackSettings& settings, Operator& person,
                            Progress& progress) {
  if (session.channels() != 2 || session.stream().output_channels() < 2) {
    throw Error(ExitCode::kUsage, "calibrate loopback: needs a stereo input and output");
  }
  if (!session.chain()) {
    throw Error(ExitCode::kUsage, "calibrate loopback: needs a bench profile; give --bench FILE");
  }
  if (!person.wires(Wiring::kLoopback, kText)) {
    refuse_step(kStep, "stopped before anything was played");
  }
  Loopback loopback;
  loopback.date = calibration_date();
  loopback.device = session.stream().device();
  loopback.sample_rate_hz = session.sample_rate().hz;
  loopback.band_low_hz = session.settings().band.low_hz;
  loopback.band_high_hz = std::min(session.settings().band.high_hz, session.sample_rate().hz / 2);

  const SoundingTone sounding(session);
  session.guard(kHowl_rms);
  check_silence(session);
  const std::array<double, 2> gain_db = climb(session, settings);
  measure_tones(session, settings, std::max(gain_db[0], gain_db[1]), loopback, progress);
  repeat_first(session, settings, loopback.tones.front(), progress);
  measure_silence(session, settings.silent_s, loopback);
  if (settings.reads_terminated && person.wires(Wiring::kTerminated, kTerminatedText)) {
    session.idle(kSilence_s);
    const NoiseAnalysis alone = silence_of(session, settings.silent_s);
    loopback.input_noise_dbfs = {dbfs_or_nothing(alone.channels[0].broadband_rms),
                                 dbfs_or_nothing(alone.channels[1].broadband_rms)};
  }
  if (settings.reads_through_divider && has_far_range(session) &&
      person.wires(Wiring::kDividerTop, divider_text(session.chain()->range()))) {
    measure_through_divider(session, settings, gain_db, loopback, progress);
  }
  check_cancelled(progress, kStep);
  progress.report(1, "done");
  return loopback;
}

}  // namespace sinewright
