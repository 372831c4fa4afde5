#include "measure/noise_levels.h"

#include <algorithm>
#include <cmath>

#include "dsp/weighting.h"

namespace sinewright {
namespace {

double hum_of_sound_card(const ReadingContext& context, const std::string& channel, int order) {
  if (!knows_sound_card(context, channel)) return 0;
  return context.residual->hum_rms(channel_index(context, channel), order);
}

// Where the unit's own lies.
Interval without_own(double rms, double own_rms) {
  return {std::max(0.0, rms - own_rms), rms + own_rms};
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
    const Interval unit = without_own(line.rms, own_rms);
    low_ms += unit.low * unit.low;
    high_ms += unit.high * unit.high;
  }
  if (has_any) hum.lines = Interval{std::sqrt(low_ms), std::sqrt(high_ms)};
  return hum;
}

// The sound card's broadband noise while nothing is played.
std::optional<NoiseShare> silent_share(const ReadingContext& context, const std::string& channel,
                                       SilentInput input) {
  std::optional<NoiseShare> share = noise_share(context, channel, std::nullopt);
  if (!share || input == SilentInput::kOutput) return share;
  if (!context.chain->profile().loopback->input_noise_dbfs) return share;
  // Whatever the band did to the bound, of the input alone it is as much.
  const NoiseShare whole = context.residual->silent_noise(channel_index(context, channel));
  if (whole.most_ms > 0) share->most_ms *= whole.least_ms / whole.most_ms;
  return share;
}

double mains_hz_of(const NoiseChannel& noise) {
  // Not found: the higher one, at which weightings take less off.
  return noise.hum_lines.empty() ? 60 : noise.hum_lines[0].frequency_hz / noise.hum_lines[0].order;
}

// `share` and the loopback's hum, as it changes what is read of all noise under a weighting.
std::optional<NoiseShare> with_hum(std::optional<NoiseShare> share, const NoiseChannel& noise,
                                   const ReadingContext& context, const std::string& channel,
                                   Weighting weighting) {
  if (!share) return share;
  const double high_hz = std::min(context.band.high_hz, context.sample_rate_hz / 2);
  for (const LoopbackHum& hum : context.chain->profile().loopback->hum) {
    const double own_rms = hum_of_sound_card(context, channel, hum.order);
    const double frequency_hz = hum.order * mains_hz_of(noise);
    if (frequency_hz < context.band.low_hz || frequency_hz > high_hz) continue;
    const double gain = weighting_gain(weighting, Hertz{frequency_hz});
    const auto line = std::find_if(noise.hum_lines.begin(), noise.hum_lines.end(),
                                   [&](const HumLine& l) { return l.order == hum.order; });
    const double read_rms = line == noise.hum_lines.end() ? 0 : line->rms;
    const Interval unit = without_own(read_rms, own_rms);
    // A line that is not seen may be the sound card's in the noise.
    const double low_ms = std::max(read_rms, own_rms) * std::max(read_rms, own_rms);
    share->most_ms += gain * gain * (low_ms - unit.low * unit.low);
    share->least_ms += gain * gain * (read_rms * read_rms - unit.high * unit.high);
  }
  return share;
}

// What may have come from the sound card's output, amplified: all of `rms` but mains lines that the
// loopback has not.
double amplified_ms(double rms, const NoiseChannel& noise, const ReadingContext& context,
                    const std::string& channel, Weighting weighting) {
  double ms = rms * rms;
  for (const HumLine& line : noise.hum_lines) {
    if (!line.above_noise || hum_of_sound_card(context, channel, line.order) > 0) continue;
    const double gain = weighting_gain(weighting, Hertz{line.frequency_hz});
    ms -= gain * gain * line.rms * line.rms;
  }
  return std::max(0.0, ms);
}

}  // namespace

Level hum_line_level(const HumLine& line, const ReadingContext& context,
                     const std::string& channel) {
  Level level{line.rms, line.frequency_hz, line.deviation, {}, {}};
  const double own_rms = hum_of_sound_card(context, channel, line.order);
  if (own_rms > 0) level.lines = without_own(line.rms, own_rms);
  return level;
}

NoiseLevels noise_levels(const NoiseChannel& noise, double duration_s,
                         const ReadingContext& context, const std::string& channel,
                         SilentInput input) {
  const double at_hz = middle_hz(context);
  const std::optional<NoiseShare> broadband = silent_share(context, channel, input);
  const auto level_of = [&](double rms, double deviation, const std::optional<NoiseShare>& share,
                            Weighting weighting) {
    Level level{rms, at_hz, deviation, share, {}};
    if (share && input == SilentInput::kOutput) {
      level.open_ms = amplified_ms(rms, noise, context, channel, weighting);
    }
    return level;
  };
  const auto whole = [&](const std::optional<NoiseShare>& share, Weighting weighting) {
    return with_hum(share, noise, context, channel, weighting);
  };
  const auto share_a = weighted_share(broadband, white_gain_a(context));
  const auto share_468 = weighted_share(broadband, white_gain_468(context));
  NoiseLevels levels;
  levels.noise = level_of(noise.noise_rms, noise.noise_deviation,
                          whole(broadband, Weighting::kNone), Weighting::kNone);
  levels.noise_a = level_of(noise.noise_a_rms, noise.noise_a_deviation,
                            whole(share_a, Weighting::kA), Weighting::kA);
  levels.noise_468 = level_of(noise.noise_468_rms, noise.noise_468_deviation,
                              whole(share_468, Weighting::k468), Weighting::k468);
  if (noise.noise_468_quasi_peak) {
    // The same part of what the quasi-peak detector reads as of the mean square.
    const double peak_rms = *noise.noise_468_quasi_peak;
    if (levels.noise_468.share && noise.noise_468_rms > 0) {
      const double scale = std::pow(peak_rms / noise.noise_468_rms, 2);
      levels.noise_468.share->least_ms *= scale;
      levels.noise_468.share->most_ms *= scale;
      if (levels.noise_468.open_ms) *levels.noise_468.open_ms *= scale;
    }
    levels.noise_468.rms = peak_rms;
  }
  levels.hum = hum_level(noise, context, channel);
  levels.broadband = {noise.broadband_rms, at_hz, noise.broadband_deviation, broadband, {}};
  if (broadband && input == SilentInput::kOutput) {
    levels.broadband.open_ms = noise.broadband_rms * noise.broadband_rms;
  }
  const double samples = std::max(1.0, context.sample_rate_hz * duration_s);
  levels.offset_deviation = noise.noise_rms / std::sqrt(samples);
  return levels;
}

}  // namespace sinewright
