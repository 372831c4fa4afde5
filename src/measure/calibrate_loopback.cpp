// The sound card by itself: output wired to input, at several levels and frequencies.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "dsp/noise_analysis.h"
#include "findings/error.h"
#include "measure/calibrate_tone.h"

namespace sinewright {
namespace {

constexpr const char* kStep = "loopback";
constexpr double kGainTone_hz = 997;
constexpr double kFaint_dbfs = -40;
constexpr double kLargestGain_db = 20;
constexpr double kSilence_s = 0.5;
/// A level predicted above this at the input is not played: it would clip.
constexpr double kClips_dbfs = -0.1;
/// More than a full-scale sine by half a decibel: the loop howls.
constexpr double kHowl_rms = 0.75;
/// A harmonic counts as seen above this many of its own standard deviations: in 60 tones of up to
/// 1000 harmonics fewer than one is noise.
constexpr double kSeen = 5;
constexpr double kNothing_dbfs = -200;

constexpr const char* kText =
    "Now the sound card measures itself.\n"
    "- unplug amplifier and divider: a cable from each output straight to the input of its side, "
    "left to left, right to right, and nothing else\n"
    "- direct monitoring is off: it would feed the input back into the output\n"
    "- the gain knobs and the system's volume stay where they are marked";

constexpr const char* kTerminatedText =
    "Last, the input alone: pull the cables out of the inputs and close both inputs with plugs "
    "that "
    "hold a short or a low resistance, as low as the divider's. This tells the input's own noise "
    "from the output's. Declining leaves it open, and later readings near the noise are wider.";

double settling_s(double frequency_hz) {
  // Coupling capacitors swing for a tenth of a second or so after a low tone changes.
  return 0.05 + std::min(0.6, 12 / frequency_hz);
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

void check_gain(const std::array<double, 2>& gain_db) {
  for (std::size_t c = 0; c < 2; ++c) {
    if (std::abs(gain_db[c]) <= kLargestGain_db) continue;
    refuse_step(kStep, fmt::format("{} comes back {:.1f} dB {} than it is played: output and input "
                                   "are not wired straight to each other, or a volume stands far "
                                   "down",
                                   side_name(c), std::abs(gain_db[c]),
                                   gain_db[c] > 0 ? "louder" : "fainter"));
  }
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
    channel.harmonics.push_back(
        {harmonic.order, db_of_amplitude_ratio(unbiased), std::arg(harmonic.ratio) * 360 / kTwoPi});
  }
  channel.floor_dbc = floor > 0 ? std::max(-200.0, db_of_amplitude_ratio(floor)) : -200;
  return channel;
}

/// One step; none where the input clips.
std::optional<LoopbackTone> tone_at(Session& session, double frequency_hz, double drive_dbfs,
                                    double step_s) {
  session.play({frequency_hz}, drive_dbfs);
  session.settle(settling_s(frequency_hz));
  ToneAnalysis analysis;
  static_cast<void>(session.measure_tone(session.capture(std::max(step_s, 5.2 / frequency_hz)),
                                         {frequency_hz}, &analysis));
  if (session.was_cut()) {
    refuse_step(kStep,
                "the loop came to more than full scale: it howls; switch direct monitoring "
                "off");
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
    tone.channels[c] = channel_of(found);
  }
  return tone;
}

std::vector<double> frequencies_of(const LoopbackSettings& settings, SampleRate fs) {
  std::vector<double> frequencies_hz;
  for (const double frequency_hz : settings.frequencies_hz) {
    if (frequency_hz <= 0.45 * fs.hz) frequencies_hz.push_back(frequency_hz);
  }
  return frequencies_hz;
}

void measure_tones(Session& session, const LoopbackSettings& settings, double gain_db,
                   Loopback& loopback, Progress& progress) {
  const std::vector<double> frequencies_hz = frequencies_of(settings, session.sample_rate());
  const double steps = static_cast<double>(frequencies_hz.size() * settings.drives_dbfs.size());
  double done = 0;
  for (const double frequency_hz : frequencies_hz) {
    for (const double drive_dbfs : settings.drives_dbfs) {
      check_cancelled(progress, kStep);
      progress.report(done++ / steps, fmt::format("{:g} Hz, {:g} dBFS", frequency_hz, drive_dbfs));
      if (drive_dbfs + gain_db > kClips_dbfs) continue;
      if (auto tone = tone_at(session, frequency_hz, drive_dbfs, settings.step_s)) {
        loopback.tones.push_back(std::move(*tone));
      }
    }
  }
  if (loopback.tones.empty()) refuse_step(kStep, "the input clips at every level; lower its gain");
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

}  // namespace

double loopback_duration_s(const LoopbackSettings& settings, SampleRate fs) {
  constexpr double kDelay_s = 0.05;  // of a usual sound card, there and back, each step
  double total_s = 4 + settings.silent_s * (settings.reads_terminated ? 2 : 1);
  for (const double frequency_hz : frequencies_of(settings, fs)) {
    total_s += static_cast<double>(settings.drives_dbfs.size()) *
               (settings.step_s + settling_s(frequency_hz) + kDelay_s);
  }
  return total_s;
}

Loopback calibrate_loopback(Session& session, const LoopbackSettings& settings, Operator& person,
                            Progress& progress) {
  if (session.channels() != 2 || session.stream().output_channels() < 2) {
    throw Error(ExitCode::kUsage, "calibrate loopback: needs a stereo input and output");
  }
  if (!person.wires(Wiring::kLoopback, kText)) {
    refuse_step(kStep, "stopped before anything was played");
  }
  Loopback loopback;
  loopback.date = calibration_date();
  loopback.device = session.stream().device();
  loopback.band_low_hz = session.settings().band.low_hz;
  loopback.band_high_hz = std::min(session.settings().band.high_hz, session.sample_rate().hz / 2);

  const SoundingTone sounding(session);
  session.guard(kHowl_rms);
  check_silence(session);
  const std::array<double, 2> gain_db = check_channels(session, kStep, kGainTone_hz, kFaint_dbfs);
  check_gain(gain_db);
  measure_tones(session, settings, std::max(gain_db[0], gain_db[1]), loopback, progress);
  measure_silence(session, settings.silent_s, loopback);
  if (settings.reads_terminated && person.wires(Wiring::kTerminated, kTerminatedText)) {
    session.idle(kSilence_s);
    const NoiseAnalysis alone = silence_of(session, settings.silent_s);
    loopback.input_noise_dbfs = {dbfs_or_nothing(alone.channels[0].broadband_rms),
                                 dbfs_or_nothing(alone.channels[1].broadband_rms)};
  }
  check_cancelled(progress, kStep);
  progress.report(1, "done");
  return loopback;
}

}  // namespace sinewright
