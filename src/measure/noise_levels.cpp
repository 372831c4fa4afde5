#include "measure/noise_levels.h"

#include <algorithm>
#include <cmath>

namespace sinewright {
namespace {

double hum_of_sound_card(const ReadingContext& context, const std::string& channel, int order) {
  if (!context.residual || !is_calibrated(context, channel)) return 0;
  return context.residual->hum_rms(channel_index(context, channel), order);
}

Level hum_level(const NoiseChannel& noise, const ReadingContext& context,
                const std::string& channel) {
  Level hum{noise.hum_rms, 0, noise.hum_deviation, {}, {}};
  double strongest_rms = 0;
  double low_ms = 0;
  double high_ms = 0;
  bool has_any = false;
  for (const HumLine& line : noise.hum_lines) {
    if (!line.above_noise) continue;
    if (line.rms > strongest_rms) hum.frequency_hz = line.frequency_hz;
    strongest_rms = std::max(strongest_rms, line.rms);
    const double own_rms = hum_of_sound_card(context, channel, line.order);
    has_any = has_any || own_rms > 0;
    low_ms += std::pow(std::max(0.0, line.rms - own_rms), 2);
    high_ms += std::pow(line.rms + own_rms, 2);
  }
  if (has_any) hum.lines = Interval{std::sqrt(low_ms), std::sqrt(high_ms)};
  return hum;
}

// The sound card's noise without its hum.
std::optional<NoiseShare> broadband_share(std::optional<NoiseShare> share,
                                          const NoiseChannel& noise, const ReadingContext& context,
                                          const std::string& channel) {
  if (!share) return share;
  for (const HumLine& line : noise.hum_lines) {
    share->least_ms -= std::pow(hum_of_sound_card(context, channel, line.order), 2);
  }
  share->least_ms = std::max(0.0, share->least_ms);
  return share;
}

}  // namespace

Level hum_line_level(const HumLine& line, const ReadingContext& context,
                     const std::string& channel) {
  Level level{line.rms, line.frequency_hz, line.deviation, {}, {}};
  const double own_rms = hum_of_sound_card(context, channel, line.order);
  if (own_rms > 0) level.lines = Interval{std::abs(line.rms - own_rms), line.rms + own_rms};
  return level;
}

NoiseLevels noise_levels(const NoiseChannel& noise, double duration_s,
                         const ReadingContext& context, const std::string& channel) {
  const double at_hz = middle_hz(context);
  const std::optional<NoiseShare> share = noise_share(context, channel, std::nullopt);
  NoiseLevels levels;
  levels.noise = {noise.noise_rms, at_hz, noise.noise_deviation, share, {}};
  levels.noise_a = {noise.noise_a_rms,
                    at_hz,
                    noise.noise_a_deviation,
                    weighted_share(share, white_gain_a(context)),
                    {}};
  levels.noise_468 = {noise.noise_468_rms,
                      at_hz,
                      noise.noise_468_deviation,
                      weighted_share(share, white_gain_468(context)),
                      {}};
  if (noise.noise_468_quasi_peak) {
    // The same part of what the quasi-peak detector reads as of the mean square.
    const double peak_rms = *noise.noise_468_quasi_peak;
    if (levels.noise_468.share && noise.noise_468_rms > 0) {
      const double scale = std::pow(peak_rms / noise.noise_468_rms, 2);
      levels.noise_468.share->least_ms *= scale;
      levels.noise_468.share->most_ms *= scale;
    }
    levels.noise_468.rms = peak_rms;
  }
  levels.hum = hum_level(noise, context, channel);
  levels.broadband = {noise.broadband_rms,
                      at_hz,
                      noise.broadband_deviation,
                      broadband_share(share, noise, context, channel),
                      {}};
  const double samples = std::max(1.0, context.sample_rate_hz * duration_s);
  levels.offset_deviation = noise.noise_rms / std::sqrt(samples);
  return levels;
}

}  // namespace sinewright
