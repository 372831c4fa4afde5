#include "measure/tone_findings.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <ctime>

namespace sinewright {
namespace {

// A channel this far below its neighbour carries crosstalk, not a signal of its own.
constexpr double kSilentRatio = 0.01;
constexpr double kNearFullScale = 0.94;  // -0.5 dBFS
constexpr double kLeastDuration_s = 0.5;

std::optional<double> finite(double value) {
  return std::isfinite(value) ? std::optional(value) : std::nullopt;
}

// RMS of what rounding to `bits` leaves in band: with triangular dither, q^2/4.
double quantisation_rms(const ReadingContext& context) {
  const double step = std::ldexp(1.0, 1 - *context.bits);
  const double nyquist_hz = context.sample_rate_hz / 2;
  const double band_hz = std::min(context.band.high_edge_hz(), nyquist_hz) - context.band.low_hz;
  return std::sqrt(step * step / 4 * std::max(0.0, band_hz) / nyquist_hz);
}

void append_tone_ratios(Findings& findings, const ToneChannel& tone, const std::string& channel,
                        bool is_quantisation_limited) {
  append_ratio(findings, "thd", channel, tone.thd);
  if (!tone.thd) {
    Reading& in_db = findings.readings.back();
    in_db.note = fmt::format("lost in the noise: below {:.1f} dB",
                             db_of_amplitude_ratio(std::max(tone.thd_bound, 1e-20)));
  }
  append_ratio(findings, "thd_n", channel, tone.thd_n);
  append_reading(findings, "sinad", channel, finite(-db_of_amplitude_ratio(tone.thd_n)), Unit::kDb);
  const auto snr = [&](const char* key, double noise_rms) {
    append_reading(findings, key, channel,
                   finite(db_of_amplitude_ratio(tone.fundamental_rms / noise_rms)), Unit::kDb);
  };
  snr("snr", tone.noise_rms);
  snr("snr_a", tone.noise_a_rms);
  append_reading(findings, "notch_thd_n", channel, finite(db_of_amplitude_ratio(tone.notch_thd_n)),
                 Unit::kDb);
  if (!is_quantisation_limited) return;
  for (Reading& reading : findings.readings) {
    const bool is_noise = reading.key == "noise" || reading.key == "snr" ||
                          reading.key == "snr_a" ||
                          ((reading.key == "thd_n" || reading.key == "sinad") &&
                           (!tone.thd || *tone.thd < 0.7 * tone.thd_n));
    if (reading.channel == channel && is_noise) reading.limited_by = "quantisation";
  }
}

void append_tone_cautions(Findings& findings, const ToneChannel& tone, const std::string& channel,
                          double duration_s, const ReadingContext& context) {
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
  if (!tone.has_tone) return;
  if (tone.paths_disagree) {
    append_caution(findings, "paths_disagree",
                   fmt::format("THD+N by notch is {:.2f} dB, the spectrum predicts {:.2f} dB: the "
                               "signal does not hold still, or is not a tone with noise",
                               db_of_amplitude_ratio(tone.notch_thd_n),
                               db_of_amplitude_ratio(tone.notch_thd_n_predicted)),
                   channel);
  }
  if (3 * tone.frequency_hz > context.band.high_edge_hz()) {
    const auto counted = static_cast<int>(tone.harmonics.size());
    append_caution(findings, "harmonics_above_band",
                   fmt::format("{} of the harmonics fall{} within {:.6g} Hz: THD here is lower "
                               "than the unit's",
                               counted == 0 ? "none" : fmt::format("only {}", counted),
                               counted == 1 ? "s" : "", context.band.high_hz),
                   channel);
  }
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

void append_channel(Findings& findings, const ToneChannel& tone, const std::string& channel,
                    bool is_silent, const ReadingContext& context) {
  const bool has_figures = tone.has_tone && !is_silent;
  append_level(findings, "level", channel, tone.level_rms, context, true);
  append_level(findings, "noise", channel, tone.noise_rms, context, false);
  if (has_figures) {
    append_reading(findings, "frequency", channel, finite(tone.frequency_hz), Unit::kHertz);
    append_level(findings, "fundamental", channel, tone.fundamental_rms, context, true);
    const bool is_quantised =
        context.bits && tone.noise_rms < 1.3 * quantisation_rms(context) && tone.noise_rms > 0;
    append_tone_ratios(findings, tone, channel, is_quantised);
    append_reading(findings, "drift", channel, finite(tone.level_drift_db_per_s),
                   Unit::kDbPerSecond);
    for (const HarmonicLevel& level : tone.harmonics) {
      if (level.order > 20) break;
      Harmonic harmonic{channel, level.order, level.frequency_hz, std::nullopt, std::nullopt};
      if (level.power_ratio > 4 * level.deviation * level.deviation && level.power_ratio > 0) {
        harmonic.level_dbc = db_of_power_ratio(level.power_ratio);
        harmonic.phase_deg = std::arg(level.ratio) * 360 / kTwoPi;
      }
      findings.harmonics.push_back(harmonic);
    }
  }
  append_reading(findings, "dc_offset", channel, finite(tone.offset), Unit::kFullScale);
  append_reading(findings, "peak_positive", channel, finite(tone.peaks.positive), Unit::kFullScale);
  append_reading(findings, "peak_negative", channel, finite(tone.peaks.negative), Unit::kFullScale);
  if (context.chain) {
    const std::size_t index = channel_index(context, channel);
    append_reading(findings, "peak_positive", channel,
                   finite(context.chain->volts_of_rms(tone.peaks.positive, index)), Unit::kVolt);
    append_reading(findings, "peak_negative", channel,
                   finite(context.chain->volts_of_rms(tone.peaks.negative, index)), Unit::kVolt);
  }
  const double highest = std::max(tone.peaks.positive, -tone.peaks.negative);
  append_reading(findings, "crest_factor", channel,
                 tone.level_rms > 0 ? finite(highest / tone.level_rms) : std::nullopt,
                 Unit::kRatio);
  if (tone.ultrasonic_rms > 0) {
    append_reading(findings, "ultrasonic", channel, finite(dbfs_of_rms(tone.ultrasonic_rms)),
                   Unit::kDbfs);
  }
}

void append_pair(Findings& findings, const ToneAnalysis& analysis,
                 const std::vector<std::string>& channels, std::size_t first, int silent) {
  const ToneChannel& left = analysis.channels[0];
  const ToneChannel& right = analysis.channels[1];
  const bool is_stereo = channels.size() == 2;
  const std::string pair =
      is_stereo ? "pair" : fmt::format("{}-{}", channels[first], channels[first + 1]);
  if (silent >= 0) {
    const ToneChannel& quiet = analysis.channels[static_cast<std::size_t>(silent)];
    const ToneChannel& driven = analysis.channels[static_cast<std::size_t>(1 - silent)];
    std::optional<double> crosstalk;
    if (quiet.has_tone) {
      crosstalk = finite(db_of_amplitude_ratio(quiet.fundamental_rms / driven.fundamental_rms));
    }
    append_reading(findings, "crosstalk", channels[first + static_cast<std::size_t>(silent)],
                   crosstalk, Unit::kDb);
    if (!crosstalk) findings.readings.back().note = "below the noise";
    return;
  }
  if (!left.has_tone || !right.has_tone || !analysis.pair) return;
  append_reading(findings, "balance", pair,
                 finite(db_of_amplitude_ratio(left.fundamental_rms / right.fundamental_rms)),
                 Unit::kDb);
  append_reading(findings, "phase", pair, finite(analysis.pair->phase_deg), Unit::kDegree);
  append_reading(findings, "polarity", pair, std::abs(analysis.pair->phase_deg) < 90 ? 1.0 : -1.0,
                 Unit::kRatio);
  if (left.fundamental_rms == right.fundamental_rms && left.offset == right.offset &&
      left.peaks.positive == right.peaks.positive) {
    append_caution(findings, "mono_input",
                   "both channels are identical to the last bit: a mono input, or one signal "
                   "recorded twice; balance and crosstalk say nothing");
  }
}

}  // namespace

std::vector<std::string> channel_names(int channels) {
  if (channels == 2) return {"left", "right"};
  std::vector<std::string> names;
  for (int c = 1; c <= channels; ++c) names.push_back(std::to_string(c));
  return names;
}

std::size_t channel_index(const ReadingContext& context, const std::string& channel) {
  constexpr std::size_t kNoChannel = 99;
  if (context.channels.size() > 2) return kNoChannel;
  const auto found = std::find(context.channels.begin(), context.channels.end(), channel);
  return static_cast<std::size_t>(found - context.channels.begin());
}

std::vector<Condition> context_conditions(const ReadingContext& context) {
  const double nyquist_hz = context.sample_rate_hz / 2;
  std::vector<Condition> conditions = {
      {"band_hz",
       std::vector<double>{context.band.low_hz, std::min(context.band.high_hz, nyquist_hz)}},
      {"weighting", std::string("none")},
      {"sample_rate_hz", context.sample_rate_hz},
  };
  if (context.chain) {
    bool is_calibrated = true;
    for (std::size_t c = 0; c < context.channels.size(); ++c) {
      is_calibrated = is_calibrated && context.chain->has_calibrated_volts(c);
    }
    conditions.push_back({"profile", context.chain->profile().hash});
    conditions.push_back({"bench", context.chain->profile().name});
    conditions.push_back({"calibrated", is_calibrated});
    conditions.push_back({"range", context.chain->range().name});
    conditions.push_back({"load_ohm", context.chain->profile().load.resistance_ohm});
  } else {
    conditions.push_back({"profile", std::monostate()});
  }
  return conditions;
}

void append_reading(Findings& findings, const std::string& key, const std::string& channel,
                    std::optional<double> value, Unit unit) {
  Reading reading;
  reading.key = key;
  reading.channel = channel;
  reading.value = value;
  reading.unit = unit;
  findings.readings.push_back(std::move(reading));
}

void append_caution(Findings& findings, const std::string& code, const std::string& text,
                    const std::string& channel, std::optional<double> at_s) {
  findings.cautions.push_back({code, text, channel, at_s});
}

void append_level(Findings& findings, const std::string& key, const std::string& channel,
                  double rms, const ReadingContext& context, bool has_watts) {
  append_reading(findings, key, channel, finite(dbfs_of_rms(rms)), Unit::kDbfs);
  if (!context.chain) return;
  constexpr double kDbuReference_v = 0.7745966692414834;  // sqrt(0.6): 1 mW in 600 ohm
  const std::size_t index = channel_index(context, channel);
  const double volts = context.chain->volts_of_rms(rms, index);
  append_reading(findings, key, channel, finite(volts), Unit::kVolt);
  append_reading(findings, key, channel, finite(db_of_amplitude_ratio(volts)), Unit::kDbv);
  append_reading(findings, key, channel, finite(db_of_amplitude_ratio(volts / kDbuReference_v)),
                 Unit::kDbu);
  if (has_watts) {
    append_reading(findings, key, channel, finite(context.chain->watts_of_volts(volts, index)),
                   Unit::kWatt);
  }
}

void append_ratio(Findings& findings, const std::string& key, const std::string& channel,
                  std::optional<double> ratio) {
  const bool exists = ratio && *ratio > 0;
  append_reading(findings, key, channel, exists ? finite(100 * *ratio) : std::nullopt,
                 Unit::kPercent);
  append_reading(findings, key, channel,
                 exists ? finite(db_of_amplitude_ratio(*ratio)) : std::nullopt, Unit::kDb);
}

void append_tone(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                 std::size_t first) {
  const std::size_t count = analysis.channels.size();
  int silent = -1;
  if (count == 2) {
    for (int c = 0; c < 2; ++c) {
      const ToneChannel& other = analysis.channels[static_cast<std::size_t>(1 - c)];
      const double mine = analysis.channels[static_cast<std::size_t>(c)].fundamental_rms;
      if (analysis.pair && other.has_tone && mine < kSilentRatio * other.fundamental_rms)
        silent = c;
    }
  }
  const double duration_s = findings.ended_s - findings.started_s;
  for (std::size_t c = 0; c < count; ++c) {
    const std::string& channel = context.channels[first + c];
    append_channel(findings, analysis.channels[c], channel, silent == static_cast<int>(c), context);
    append_tone_cautions(findings, analysis.channels[c], channel, duration_s, context);
    if (analysis.channels[c].level_rms == 0) {
      append_caution(findings, "silence", "every sample is zero: nothing comes in here", channel);
    } else if (!analysis.channels[c].has_tone && silent < 0) {
      append_caution(findings, "no_tone", "no tone stands above the noise in this channel",
                     channel);
    }
  }
  if (count == 2) append_pair(findings, analysis, context.channels, first, silent);
  for (const Disturbance& disturbance : analysis.disturbances) {
    const bool is_click = disturbance.kind == Disturbance::Kind::kClick;
    append_caution(
        findings, is_click ? "click" : "dropout",
        fmt::format("{} of {:.1f} dBFS peak; it is in the figures",
                    is_click ? "a click" : "a dropout", db_of_amplitude_ratio(disturbance.height)),
        "", static_cast<double>(disturbance.frame) / context.sample_rate_hz);
  }
  if (analysis.disturbance_count > static_cast<std::int64_t>(analysis.disturbances.size())) {
    append_caution(findings, "click",
                   fmt::format("{} clicks and dropouts in all; the first {} are listed",
                               analysis.disturbance_count, analysis.disturbances.size()));
  }
  if (duration_s < kLeastDuration_s) {
    append_caution(findings, "short",
                   fmt::format("holds for {:.3f} s only: noise and THD+N are coarse below {} s",
                               duration_s, kLeastDuration_s));
  }
}

std::string utc_now() {
  const std::time_t now = std::chrono::system_clock::to_time_t(std::chrono::system_clock::now());
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(now));
}

}  // namespace sinewright
