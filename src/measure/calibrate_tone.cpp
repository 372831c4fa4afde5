#include "measure/calibrate_tone.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"
#include "measure/tone_spread.h"

namespace sinewright {
namespace {

// Crosstalk of a poor unit at a few hundred hertz is -30 dB; a mono switch leaves 0 dB.
constexpr double kSameSignal_db = -20;
constexpr double kSettling_s = 0.25;
constexpr double kLook_s = 0.3;

}  // namespace

const char* side_name(std::size_t channel) { return channel == 0 ? "left" : "right"; }

std::string calibration_date() { return utc_now().substr(0, 10); }

void refuse_step(const char* step, const std::string& text) {
  throw Error(ExitCode::kRefused, fmt::format("calibrate {}: {}; nothing was written", step, text));
}

void check_cancelled(const Progress& progress, const char* step) {
  if (!progress.is_cancelled()) return;
  throw Error(ExitCode::kFailure,
              fmt::format("calibrate {}: interrupted; nothing was written", step));
}

SoundingTone::~SoundingTone() {
  try {
    session_.silence();
    session_.settle(0.02);
  } catch (const std::exception&) {
    // The device is gone, and the sound with it.
  }
  session_.guard_watts(std::numeric_limits<double>::infinity());
}

SteadyLevel read_level(Session& session, double frequency_hz, double duration_s) {
  const double enough_s = std::max(duration_s, 5.2 / frequency_hz);
  ToneAnalysis analysis;
  static_cast<void>(session.measure_tone(session.capture(enough_s), {frequency_hz}, &analysis));
  SteadyLevel level;
  for (std::size_t c = 0; c < analysis.channels.size(); ++c) {
    const ToneChannel& tone = analysis.channels[c];
    level.clips = level.clips || tone.peaks.full_scale_runs > 0;
    level.level_rms[c] = tone.level_rms;
    if (!tone.has_tone) continue;
    level.fundamental_rms[c] = tone.fundamental_rms;
    level.deviation[c] = tone_spread(tone).relative;
  }
  return level;
}

SteadyLevel mean_of(const SteadyLevel& first, const SteadyLevel& second) {
  SteadyLevel mean;
  mean.clips = first.clips || second.clips;
  for (std::size_t c = 0; c < 2; ++c) {
    mean.fundamental_rms[c] = (first.fundamental_rms[c] + second.fundamental_rms[c]) / 2;
    mean.level_rms[c] = (first.level_rms[c] + second.level_rms[c]) / 2;
    const double within = std::hypot(first.deviation[c], second.deviation[c]) / 2;
    const double between = mean.fundamental_rms[c] > 0
                               ? std::abs(first.fundamental_rms[c] - second.fundamental_rms[c]) /
                                     (2 * mean.fundamental_rms[c])
                               : 0;
    // Somewhere between both looks the meter was read: a bound either way, not a scatter of two.
    mean.deviation[c] = std::hypot(within, between / std::sqrt(3.0));
  }
  return mean;
}

std::array<double, 2> check_channels(Session& session, const char* step, double frequency_hz,
                                     double drive_dbfs) {
  const std::size_t channels = session.channels();
  std::array<std::array<double, 2>, 2> heard{};  // [output][input]
  for (std::size_t driven = 0; driven < channels; ++driven) {
    session.play({frequency_hz}, drive_dbfs, 1U << driven);
    session.settle(kSettling_s);
    heard[driven] = read_level(session, frequency_hz, kLook_s).fundamental_rms;
    if (!session.was_cut()) continue;
    refuse_step(step, fmt::format("a tone at {:g} dBFS comes back far louder than the profile lets "
                                  "expect: is an amplifier in the way, or the input gain up? The "
                                  "tone was cut",
                                  drive_dbfs));
  }
  const double same = amplitude_ratio_of_db(kSameSignal_db);
  const auto answers = [&](std::size_t output, std::size_t input) {
    return heard[output][input] > same * heard[output][1 - input];
  };
  if (channels == 2) {
    if (heard[0] == std::array<double, 2>{} && heard[1] == std::array<double, 2>{}) {
      refuse_step(step, fmt::format("nothing of a tone at {:g} dBFS comes back; check the wiring, "
                                    "that output and input are of the sound card in use, and that "
                                    "the system's volume is up and not muted",
                                    drive_dbfs));
    }
    if (answers(0, 1) && !answers(0, 0) && answers(1, 0) && !answers(1, 1)) {
      refuse_step(step, "left comes back in right and right in left; swap the leads at one end");
    }
    if (answers(0, 0) && answers(0, 1)) {
      refuse_step(step,
                  "what left alone plays comes back in both inputs: mono mode, an enhancement of "
                  "the operating system, or leads that touch; take that out");
    }
  }
  std::array<double, 2> gain_db{};
  for (std::size_t c = 0; c < channels; ++c) {
    if (heard[c][c] > 0 && (channels == 1 || answers(c, c))) {
      gain_db[c] = dbfs_of_rms(heard[c][c]) - drive_dbfs;
      continue;
    }
    refuse_step(step, fmt::format("{} does not come back; check its leads and plugs at both ends, "
                                  "the system's balance, and the input's switches",
                                  side_name(c)));
  }
  return gain_db;
}

double output_full_scale_vrms(const Profile& profile, std::size_t channel) {
  const std::optional<ScaleCalibrations>& calibrated = profile.output_calibration;
  if (calibrated && calibrated->channels[channel]) {
    return calibrated->channels[channel]->full_scale_vrms;
  }
  return profile.output_full_scale_vrms;
}

double expected_gain_db(const Chain& chain, std::size_t channel) {
  return db_of_amplitude_ratio(output_full_scale_vrms(chain.profile(), channel) /
                               (chain.profile().input_full_scale_vrms * chain.range().ratio));
}

void check_against_nominal(const char* step, const std::string& what, double found, double nominal,
                           const std::string& unit, const std::string& causes) {
  constexpr double kFactor = 1.5;
  if (found <= kFactor * nominal && found >= nominal / kFactor) return;
  refuse_step(step, fmt::format("this makes {} {:.4g} {}, and the profile says {:.4g} {}: {}; if "
                                "it is truly so, correct the profile's nominal value first",
                                what, found, unit, nominal, unit, causes));
}

}  // namespace sinewright
