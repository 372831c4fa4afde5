#include "measure/tone_cautions.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "measure/append.h"

namespace sinewright {
namespace {

constexpr double kNearFullScale = 0.94;  // -0.5 dBFS

void append_peaks(Findings& findings, const ToneChannel& tone, const std::string& channel) {
  const PeakFigures& peaks = tone.peaks;
  const double highest = std::max(std::abs(peaks.positive), std::abs(peaks.negative));
  if (peaks.full_scale_runs > 0) {
    append_caution(findings, "clipped",
                   fmt::format("the samples stand at full scale {} times: the sound card's input "
                               "clips; use the range with the higher ratio, or lower its gain",
                               peaks.full_scale_runs),
                   channel);
  } else if (peaks.has_flat_tops) {
    append_caution(findings, "clipped",
                   fmt::format("flat tops at {:.1f} dBFS peak, below full scale: the unit, or a "
                               "stage before the converter, clips",
                               db_of_amplitude_ratio(highest)),
                   channel);
  }
  if (peaks.full_scale_runs == 0 && highest > kNearFullScale) {
    append_caution(findings, "near_full_scale",
                   fmt::format("peaks reach {:.2f} dB of full scale: converters distort there",
                               db_of_amplitude_ratio(highest)),
                   channel);
  }
}

void append_harmonics_above(Findings& findings, const ToneChannel& tone, const std::string& channel,
                            const ReadingContext& context) {
  if (3 * tone.frequency_hz > context.band.high_edge_hz()) {
    const auto counted = static_cast<int>(tone.harmonics.size());
    append_caution(findings, "harmonics_above_band",
                   fmt::format("{} of the harmonics fall{} within {:.6g} Hz: THD here is lower "
                               "than the unit's",
                               counted == 0 ? "none" : fmt::format("only {}", counted),
                               counted == 1 ? "s" : "", context.band.high_hz),
                   channel);
  }
}

void append_drift(Findings& findings, const ToneChannel& tone, const std::string& channel,
                  double duration_s) {
  // In less than a second what drifts is mostly what has not settled yet.
  if (duration_s < 1) return;
  const double drift_db = tone.level_drift_db_per_s * duration_s;
  if (std::abs(drift_db) > 0.05 && std::abs(tone.level_drift_db_per_s) > 0.01) {
    append_caution(findings, "level_drift",
                   fmt::format("the level drifts by {:+.3f} dB/s", tone.level_drift_db_per_s),
                   channel);
  }
  const double drift_ppm = tone.frequency_drift_hz_per_s / tone.frequency_hz * 1e6 * duration_s;
  const double noise_ppm = tone.frequency_deviation_hz / tone.frequency_hz * 1e6;
  if (std::abs(drift_ppm) > 10 + 20 * noise_ppm) {
    append_caution(findings, "frequency_drift",
                   fmt::format("the frequency drifts by {:+.3g} ppm/s: free-running or mechanical "
                               "source",
                               drift_ppm / duration_s),
                   channel);
  }
}

// The line of the mains that stands so close to a harmonic that a block cannot tell them apart.
void append_hum_on_harmonic(Findings& findings, const ToneChannel& tone, const std::string& channel,
                            double block_s) {
  constexpr double kHighestTone_hz = 400;
  constexpr int kHighestMainsOrder = 12;  // hum above is faint in most units
  if (tone.frequency_hz > kHighestTone_hz || !(block_s > 0)) return;
  for (const HarmonicLevel& level : tone.harmonics) {
    const bool counts = level.power_ratio > 4 * level.deviation * level.deviation;
    if (!counts) continue;
    for (const double mains_hz : {50.0, 60.0}) {
      const double order = std::round(level.frequency_hz / mains_hz);
      if (order < 1 || order > kHighestMainsOrder ||
          std::abs(level.frequency_hz - order * mains_hz) > 1 / block_s) {
        continue;
      }
      append_caution(findings, "hum_on_harmonic",
                     fmt::format("harmonic {} lies on {:g} x {:g} Hz: hum counts as distortion "
                                 "here; choose a tone off the mains multiples",
                                 level.order, order, mains_hz),
                     channel);
      return;
    }
  }
}

// Beyond the loopback's frequencies nothing is taken out of the level, and no budget knows of it.
void append_uncorrected(Findings& findings, const ToneChannel& tone, const std::string& channel,
                        const ReadingContext& context) {
  if (!knows_sound_card(context, channel)) return;
  const std::size_t index = channel_index(context, channel);
  if (context.residual->response_open_db(index, tone.frequency_hz)) return;
  append_caution(findings, "response_uncorrected",
                 "outside the frequencies of the loopback: the sound card's own response here is "
                 "not known, and is in the level; calibrate loopback over this frequency too",
                 channel);
}

}  // namespace

void append_tone_cautions(Findings& findings, const ToneChannel& tone, const std::string& channel,
                          double block_s, const ReadingContext& context) {
  append_peaks(findings, tone, channel);
  if (!tone.has_tone) return;
  if (tone.paths_disagree) {
    append_caution(findings, "paths_disagree",
                   fmt::format("THD+N by notch is {:.2f} dB, the spectrum predicts {:.2f} dB: the "
                               "signal does not hold still, or is not a tone with noise",
                               db_of_amplitude_ratio(tone.notch_thd_n),
                               db_of_amplitude_ratio(tone.notch_thd_n_predicted)),
                   channel);
  }
  append_harmonics_above(findings, tone, channel, context);
  append_hum_on_harmonic(findings, tone, channel, block_s);
  append_uncorrected(findings, tone, channel, context);
  append_drift(findings, tone, channel, findings.ended_s - findings.started_s);
}

void append_no_loopback(Findings& findings, const ReadingContext& context) {
  if (context.residual) return;
  const bool is_any =
      std::any_of(context.channels.begin(), context.channels.end(),
                  [&](const std::string& channel) { return is_calibrated(context, channel); });
  if (!is_any) return;
  append_caution_once(findings, "no_loopback",
                      "the sound card's own distortion, noise and response are not known, so "
                      "readings of these have no uncertainty: calibrate loopback");
}

}  // namespace sinewright
