#include "measure/two_tone_findings.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "measure/append.h"

namespace sinewright {
namespace {

// From noise of known level: an amplitude of `rms` varies by the noise in one independent sample's
// worth of the record.
double deviation_of(double rms, double noise_rms, double samples) {
  return rms > 0 ? noise_rms / rms / std::sqrt(samples) : 0;
}

void append_tone_of_two(Findings& findings, const std::string& number, const std::string& channel,
                        const Level& level, const ReadingContext& context, double samples,
                        double noise_rms) {
  Reading& frequency = append_reading(findings, "frequency_" + number, channel,
                                      finite(level.frequency_hz), Unit::kHertz);
  if (is_calibrated(context, channel)) {
    // Cramer-Rao bound of a frequency, from the amplitude's deviation and the record's length.
    const double duration_s = findings.ended_s - findings.started_s;
    const double amplitude = deviation_of(level.rms, noise_rms, samples);
    const double deviation_hz =
        duration_s > 0 ? std::sqrt(12.0) * amplitude / kTwoPi / duration_s : 0;
    const double clock_hz = context.chain->profile().clock_ppm * 1e-6 * level.frequency_hz;
    const std::vector<Component> budget = {
        type_a("repeatability", deviation_hz, Repeatability{}.degrees_of_freedom),
        rectangular("clock of the sound card", clock_hz)};
    set_absolute_uncertainty(frequency, combine(budget));
  }
  append_level(findings, "fundamental_" + number, channel, level, context, false);
}

void append_figure(Findings& findings, const char* key, const std::string& channel,
                   const DistortionFigure& figure, bool is_on_calibrated_bench) {
  append_ratio(findings, key, channel, figure.ratio);
  if (!is_on_calibrated_bench) return;
  const std::size_t count = findings.readings.size();
  for (std::size_t i = count - 2; i < count; ++i) {
    findings.readings[i].note = "with the sound card's own intermodulation, which is not known";
  }
}

}  // namespace

void append_two_tones(Findings& findings, const TwoToneAnalysis& analysis,
                      const ReadingContext& context, std::size_t first) {
  const double high_hz = std::min(context.band.high_hz, context.sample_rate_hz / 2);
  const double samples =
      std::max(1.0, 2 * (high_hz - context.band.low_hz) * (findings.ended_s - findings.started_s));
  for (std::size_t c = 0; c < analysis.channels.size(); ++c) {
    const TwoToneChannel& tones = analysis.channels[c];
    const std::string& channel = context.channels[first + c];
    const bool calibrated = is_calibrated(context, channel);
    const bool is_lower = tones.rms_1 >= tones.rms_2;  // the budget is the stronger tone's
    append_level(findings, "level", channel,
                 {tones.level_rms,
                  is_lower ? tones.frequency_1_hz : tones.frequency_2_hz,
                  deviation_of(tones.level_rms, tones.noise_rms, samples),
                  {},
                  {}},
                 context, true);
    Level noise{tones.noise_rms, middle_hz(context), 1 / std::sqrt(2 * samples), {}, {}};
    if (tones.noise_rms > 0) {
      noise.share =
          noise_share(context, channel,
                      OperatingPoint{is_lower ? tones.frequency_1_hz : tones.frequency_2_hz,
                                     dbfs_of_rms(tones.level_rms), context.drive_dbfs});
    }
    append_level(findings, "noise", channel, noise, context, false);
    if (!tones.has_tones) {
      append_caution(findings, "no_tone", "not both tones stand above the noise in this channel",
                     channel);
      continue;
    }
    const auto level_of = [&](double rms, double frequency_hz) {
      return Level{rms, frequency_hz, deviation_of(rms, tones.noise_rms, samples), {}, {}};
    };
    append_tone_of_two(findings, "1", channel, level_of(tones.rms_1, tones.frequency_1_hz), context,
                       samples, tones.noise_rms);
    append_tone_of_two(findings, "2", channel, level_of(tones.rms_2, tones.frequency_2_hz), context,
                       samples, tones.noise_rms);
    const auto figure = [&](const char* key, const std::optional<DistortionFigure>& value) {
      if (value) append_figure(findings, key, channel, *value, calibrated);
    };
    figure("imd_modulation_2", tones.imd_modulation_2);
    figure("imd_modulation_3", tones.imd_modulation_3);
    figure("imd_modulation", tones.imd_modulation);
    figure("imd_difference_2", tones.imd_difference_2);
    figure("imd_difference_3", tones.imd_difference_3);
    figure("imd_difference_total", tones.imd_difference_total);
    append_figure(findings, "imd_residual", channel, tones.imd_residual, calibrated);
    Reading& offset =
        append_reading(findings, "dc_offset", channel, finite(tones.offset), Unit::kFullScale);
    if (calibrated) {
      set_absolute_uncertainty(offset, spread_only(tones.noise_rms / std::sqrt(samples)));
    }
  }
}

}  // namespace sinewright
