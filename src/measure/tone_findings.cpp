#include "measure/tone_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "measure/distortion_limits.h"
#include "measure/tone_cautions.h"
#include "measure/tone_pair.h"
#include "measure/tone_spread.h"

namespace sinewright {
namespace {

// A channel this far below its neighbour carries crosstalk, not a signal of its own.
constexpr double kSilentRatio = 0.01;
constexpr double kLeastDuration_s = 0.5;

// RMS of what rounding to `bits` leaves in band: with triangular dither, q^2/4.
double quantisation_rms(const ReadingContext& context) {
  const double step = std::ldexp(1.0, 1 - *context.bits);
  const double nyquist_hz = context.sample_rate_hz / 2;
  const double band_hz = std::min(context.band.high_edge_hz(), nyquist_hz) - context.band.low_hz;
  return std::sqrt(step * step / 4 * std::max(0.0, band_hz) / nyquist_hz);
}

// Of the reciprocal: a ratio whose lower end is nothing has none above.
RatioLimits inverted(const RatioLimits& limits, double reference = 1) {
  constexpr double kMost = 1e10;  // 200 dB
  RatioLimits result = limits;
  if (limits.interval) {
    const auto inverse = [&](double ratio) {
      return ratio > 0 ? std::min(kMost, reference / ratio) : kMost;
    };
    result.interval = Interval{inverse(limits.interval->high), inverse(limits.interval->low)};
  }
  return result;
}

/// One channel under way.
struct ChannelReadings {
  Findings& findings;
  const ToneChannel& tone;
  const std::string& channel;
  const ReadingContext& context;
  bool has_figures;  // it carries a tone of its own
  /// Where it carries none and the other channel does.
  const ToneChannel* neighbour = nullptr;
};

// A channel without a tone of its own: its output is silent, and has no more noise than with the
// neighbour's tone. It comes through the neighbour's gain, where that is known.
void set_silent_share(Level& noise, const ChannelReadings& on) {
  const bool is_gain_known = on.neighbour && on.context.drive_dbfs;
  noise.share = noise_share(on.context, on.channel, std::nullopt);
  if (!noise.share) return;
  if (!is_gain_known) {
    noise.open_ms = noise.rms * noise.rms;
    return;
  }
  const auto most = noise_share(on.context, on.channel, operating_point(on.context, *on.neighbour));
  noise.share->most_ms = std::max(noise.share->least_ms, most->most_ms);
}

Level noise_of(const ChannelReadings& on) {
  Level noise{on.tone.noise_rms, middle_hz(on.context), noise_deviation(on.tone), {}, {}};
  if (!(on.tone.noise_rms > 0)) return noise;
  if (on.has_figures) {
    noise.share = noise_share(on.context, on.channel, operating_point(on.context, on.tone));
  } else {
    set_silent_share(noise, on);
  }
  return noise;
}

void append_thd(const ChannelReadings& on, RatioLimits limits) {
  const ToneChannel& tone = on.tone;
  if (tone.harmonics.empty()) limits = {};  // none in band: nothing was looked at
  if (!tone.thd && limits.interval) {
    limits.interval = Interval{0, std::max(limits.interval->high, tone.thd_bound)};
  }
  append_ratio(on.findings, "thd", on.channel, tone.thd, limits);
  if (tone.thd) return;
  Reading& in_db = on.findings.readings.back();
  in_db.note = fmt::format("lost in the noise: below {:.1f} dB",
                           db_of_amplitude_ratio(std::max(tone.thd_bound, 1e-20)));
}

void append_snr(const ChannelReadings& on, const char* key, const Level& noise) {
  const double fundamental_rms = on.tone.fundamental_rms;
  const RatioLimits limits = noise_ratio_limits(on.context, on.channel, noise, on.tone.frequency_hz,
                                                tone_spread(on.tone).relative);
  append_db(on.findings, key, on.channel, fundamental_rms / limits.own.value_or(noise.rms),
            inverted(limits, fundamental_rms));
}

void append_tone_ratios(const ChannelReadings& on) {
  const ToneChannel& tone = on.tone;
  const DistortionLimits limits = distortion_limits(on.context, on.channel, tone);
  append_thd(on, limits.thd);
  const double thd_n = limits.thd_n.own.value_or(tone.thd_n);
  append_ratio(on.findings, "thd_n", on.channel, thd_n, limits.thd_n);
  append_db(on.findings, "sinad", on.channel, 1 / thd_n, inverted(limits.thd_n));
  Level noise = noise_of(on);
  append_snr(on, "snr", noise);
  noise.rms = tone.noise_a_rms;
  noise.share = weighted_share(noise.share, white_gain_a(on.context));
  append_snr(on, "snr_a", noise);
  // As read, the sound card's own share in it: that of thd_n is not this one's uncertainty.
  append_db(on.findings, "notch_thd_n", on.channel, tone.notch_thd_n, {});
  on.findings.readings.back().note = "check of THD+N";
}

void mark_quantised(const ChannelReadings& on) {
  const ToneChannel& tone = on.tone;
  const bool is_quantised =
      on.context.bits && tone.noise_rms < 1.3 * quantisation_rms(on.context) && tone.noise_rms > 0;
  if (!is_quantised) return;
  for (Reading& reading : on.findings.readings) {
    const bool is_noise = reading.key == "noise" || reading.key == "snr" ||
                          reading.key == "snr_a" ||
                          ((reading.key == "thd_n" || reading.key == "sinad") &&
                           (!tone.thd || *tone.thd < 0.7 * tone.thd_n));
    // The sound card's word stands: with it the reading has an interval and no number.
    if (reading.channel == on.channel && is_noise && reading.limited_by.empty()) {
      reading.limited_by = "quantisation";
    }
  }
}

void append_frequency(const ChannelReadings& on) {
  Reading& reading = append_reading(on.findings, "frequency", on.channel,
                                    finite(on.tone.frequency_hz), Unit::kHertz);
  if (!is_calibrated(on.context, on.channel)) return;
  const double clock_hz = on.context.chain->profile().clock_ppm * 1e-6 * on.tone.frequency_hz;
  const std::vector<Component> budget = {
      type_a("repeatability", on.tone.frequency_deviation_hz, Repeatability{}.degrees_of_freedom),
      rectangular("clock of the sound card", clock_hz)};
  set_absolute_uncertainty(reading, combine(budget));
}

// The slope of a straight line through evenly spaced readings whose mean has this deviation.
void append_level_drift(const ChannelReadings& on) {
  Reading& reading = append_reading(on.findings, "drift", on.channel,
                                    finite(on.tone.level_drift_db_per_s), Unit::kDbPerSecond);
  const double duration_s = on.findings.ended_s - on.findings.started_s;
  if (!is_calibrated(on.context, on.channel) || !(duration_s > 0)) return;
  const Repeatability mean = tone_spread(on.tone);
  const double mean_db = mean.relative * 20 / std::log(10.0);
  set_absolute_uncertainty(
      reading, spread_only(std::sqrt(12.0) / duration_s * mean_db, mean.degrees_of_freedom));
}

void append_harmonics(const ChannelReadings& on) {
  for (const HarmonicLevel& level : on.tone.harmonics) {
    if (level.order > 20) break;
    Harmonic harmonic{on.channel, level.order, level.frequency_hz, std::nullopt, std::nullopt};
    if (level.power_ratio > 4 * level.deviation * level.deviation && level.power_ratio > 0) {
      harmonic.level_dbc = db_of_power_ratio(level.power_ratio);
      harmonic.phase_deg = std::arg(level.ratio) * 360 / kTwoPi;
    }
    on.findings.harmonics.push_back(harmonic);
  }
}

void append_figures(const ChannelReadings& on) {
  const ToneChannel& tone = on.tone;
  append_frequency(on);
  const Repeatability spread = tone_spread(tone);
  append_level(
      on.findings, "fundamental", on.channel,
      {tone.fundamental_rms, tone.frequency_hz, spread.relative, {}, {}, spread.degrees_of_freedom},
      on.context, true);
  append_tone_ratios(on);
  mark_quantised(on);
  append_level_drift(on);
  append_harmonics(on);
}

// Effective independent samples of noise as wide as `band_hz`.
double samples_of(const ChannelReadings& on, double band_hz) {
  return std::max(1.0, 2 * band_hz * (on.findings.ended_s - on.findings.started_s));
}

// A peak is one sample of the noise beside the tone; so is what it varies by.
void append_peaks(const ChannelReadings& on) {
  const ToneChannel& tone = on.tone;
  const double frequency_hz = on.has_figures ? tone.frequency_hz : middle_hz(on.context);
  const bool has_spread = is_calibrated(on.context, on.channel);
  const auto sure_of = [&](double peak) {
    return level_uncertainty(on.context, on.channel, frequency_hz,
                             {peak != 0 ? tone.noise_rms / std::abs(peak) : 0});
  };
  Reading& offset =
      append_reading(on.findings, "dc_offset", on.channel, finite(tone.offset), Unit::kFullScale);
  if (has_spread) {
    const double nyquist_hz = on.context.sample_rate_hz / 2;
    set_absolute_uncertainty(offset,
                             spread_only(tone.noise_rms / std::sqrt(samples_of(on, nyquist_hz))));
  }
  const auto add = [&](const char* key, double peak) {
    Reading& reading = append_reading(on.findings, key, on.channel, finite(peak), Unit::kFullScale);
    if (has_spread) set_absolute_uncertainty(reading, spread_only(tone.noise_rms));
  };
  add("peak_positive", tone.peaks.positive);
  add("peak_negative", tone.peaks.negative);
  if (on.context.chain) {
    const std::size_t index = channel_index(on.context, on.channel);
    const auto add_volts = [&](const char* key, double peak) {
      const LevelUncertainty sure = sure_of(peak);
      const double volts = sure.correction * on.context.chain->volts_of_rms(peak, index);
      Reading& reading = append_reading(on.findings, key, on.channel, finite(volts), Unit::kVolt);
      if (sure.volts) set_uncertainty(reading, *sure.volts);
    };
    add_volts("peak_positive", tone.peaks.positive);
    add_volts("peak_negative", tone.peaks.negative);
  }
  const double highest = std::max(tone.peaks.positive, -tone.peaks.negative);
  Reading& crest = append_reading(
      on.findings, "crest_factor", on.channel,
      tone.level_rms > 0 ? finite(highest / tone.level_rms) : std::nullopt, Unit::kRatio);
  // The scale cancels; one peak's noise does not.
  if (has_spread && highest > 0) set_uncertainty(crest, spread_only(tone.noise_rms / highest));
}

void append_channel(const ChannelReadings& on) {
  const ToneChannel& tone = on.tone;
  const double rest = tone.thd_n * tone.thd_n;  // of the power: what is not the tone
  const Repeatability spread = tone_spread(tone);
  const double deviation = std::hypot((1 - rest) * spread.relative, rest * tone.thd_n_deviation);
  Level level{tone.level_rms, tone.frequency_hz, deviation, {}, {}, spread.degrees_of_freedom};
  const Level noise = noise_of(on);
  if (!on.has_figures) {
    level = noise;
    level.rms = tone.level_rms;
  }
  append_level(on.findings, "level", on.channel, level, on.context, true);
  append_level(on.findings, "noise", on.channel, noise, on.context, false);
  if (on.has_figures) append_figures(on);
  append_peaks(on);
  if (tone.ultrasonic_rms > 0) {
    Reading& ultrasonic = append_reading(on.findings, "ultrasonic", on.channel,
                                         finite(dbfs_of_rms(tone.ultrasonic_rms)), Unit::kDbfs);
    if (!is_calibrated(on.context, on.channel)) return;
    const double above_hz = on.context.sample_rate_hz / 2 - on.context.band.high_hz;
    // Of a root mean square: half the relative deviation of the mean square.
    set_uncertainty(ultrasonic, spread_only(1 / std::sqrt(2 * samples_of(on, above_hz))));
  }
}

}  // namespace

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
    const ToneChannel& tone = analysis.channels[c];
    const bool has_figures = tone.has_tone && silent != static_cast<int>(c);
    const ToneChannel* neighbour = count == 2 ? &analysis.channels[1 - c] : nullptr;
    if (has_figures || (neighbour && !neighbour->has_tone)) neighbour = nullptr;
    append_channel({findings, tone, channel, context, has_figures, neighbour});
    append_tone_cautions(findings, analysis.channels[c], channel, analysis.block_s, context);
    if (analysis.channels[c].level_rms == 0) {
      append_caution(findings, "silence", "every sample is zero: nothing comes in here", channel);
    } else if (!analysis.channels[c].has_tone && silent < 0) {
      append_caution(findings, "no_tone", "no tone stands above the noise in this channel",
                     channel);
    }
  }
  if (count == 2) append_pair(findings, analysis, context, first, silent);
  if (silent < 0) append_no_loopback(findings, context);
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

}  // namespace sinewright
