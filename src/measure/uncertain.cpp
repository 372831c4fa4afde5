#include "measure/uncertain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

#include "dsp/units.h"
#include "dsp/weighting.h"

namespace sinewright {
namespace {

constexpr double kDbPerRatio = 20 / std::numbers::ln10;  // 8.686: dB of a small relative change

// What a relative uncertainty becomes in the unit of `reading`.
double scale_of(const Reading& reading) {
  switch (reading.unit) {
    case Unit::kDbfs:
    case Unit::kDbv:
    case Unit::kDbu:
    case Unit::kDb:
    case Unit::kDbc:
      return kDbPerRatio;
    default:
      return std::abs(*reading.value);
  }
}

double white_power(const ReadingContext& context, Weighting weighting) {
  // A hundredth of a decibel or so; the share is taken to a factor of two.
  constexpr int kPoints = 200;
  const double high_hz = std::min(context.band.high_hz, context.sample_rate_hz / 2);
  double sum = 0;
  for (int i = 0; i < kPoints; ++i) {
    const double at = (i + 0.5) / kPoints;
    const double gain = weighting_gain(
        weighting, Hertz{context.band.low_hz + at * (high_hz - context.band.low_hz)});
    sum += gain * gain;
  }
  return sum / kPoints;
}

// The whole interval opens by two deviations of what was read, either way.
OwnLevel own_of(double rms, double deviation, double low_ms, double high_ms) {
  const double spread_ms = 4 * deviation * rms * rms;
  OwnLevel own;
  own.interval = Interval{std::sqrt(std::max(0.0, low_ms - spread_ms)),
                          std::sqrt(std::max(0.0, high_ms + spread_ms))};
  return own;
}

OwnLevel own_lines(const Level& level) {
  const double half_width = (level.lines->high - level.lines->low) / 2;
  OwnLevel own = own_of(level.rms, level.deviation, level.lines->low * level.lines->low,
                        level.lines->high * level.lines->high);
  own.rms = level.rms;
  own.is_sound_card = level.lines->high - level.rms > std::sqrt(0.5) * level.rms;
  own.standard = std::hypot(level.deviation, half_width / std::sqrt(2.0) / level.rms);
  if (half_width < kSmallShare / 2 * level.rms) own.interval.reset();
  return own;
}

// The loopback at the tone over that at the noise, as an amplitude ratio.
double loop_ratio(const ReadingContext& context, std::size_t index, const Level& noise,
                  double tone_hz) {
  const auto response_db = context.residual->response_db(index, tone_hz, noise.frequency_hz);
  return amplitude_ratio_of_db(response_db.value_or(0));
}

}  // namespace

OwnLevel own_level(const Level& level) {
  OwnLevel own;
  own.rms = level.rms;
  own.standard = level.deviation;
  if (!(level.rms > 0)) return own;
  if (level.lines) return own_lines(level);
  if (!level.share) return own;
  const double ms = level.rms * level.rms;
  // Lines whose phase is open may have hidden some of the unit's: nothing is added for that.
  const double middle_ms = std::max(0.0, (level.share->least_ms + level.share->most_ms) / 2);
  const double most_ms = std::max(level.share->most_ms, level.open_ms.value_or(0));
  if (most_ms > kSmallShare * ms) {
    // Less than the sound card's own: the loopback does not fit, and all may be the unit's.
    const double rest_ms = ms - level.share->least_ms;
    own = own_of(level.rms, level.deviation, ms - most_ms, rest_ms > 0 ? rest_ms : ms);
  }
  own.is_open_below = level.open_ms && *level.open_ms > kSmallShare * ms;
  own.is_sound_card = level.share->most_ms > ms / 2;
  // A number would be the difference of two nearly equal ones: as read, then.
  const double own_ms = own.is_sound_card ? ms : ms - middle_ms;
  own.rms = std::sqrt(own_ms);
  const double open_ms = (most_ms - level.share->least_ms) / 2 / std::sqrt(3.0);
  own.standard = std::hypot(level.deviation * ms, open_ms / 2) / own_ms;
  return own;
}

LevelUncertainty level_uncertainty(const ReadingContext& context, const std::string& channel,
                                   double frequency_hz, const Repeatability& spread) {
  LevelUncertainty level;
  if (!is_calibrated(context, channel)) return level;
  const std::size_t index = channel_index(context, channel);
  const Chain& chain = *context.chain;
  const SoundCardResidual* residual = context.residual.get();
  level.correction = volts_correction(chain, index, frequency_hz, residual);
  level.converter = spread_only(spread.relative, spread.degrees_of_freedom);
  level.volts = combine(volts_budget(chain, index, frequency_hz, spread, residual));
  if (chain.has_calibrated_watts(index)) {
    level.watts = combine(watts_budget(chain, index, frequency_hz, spread, residual));
  }
  return level;
}

Uncertainty spread_only(double deviation, double degrees_of_freedom) {
  const std::array<Component, 1> spread = {type_a("repeatability", deviation, degrees_of_freedom)};
  return combine(spread);
}

void set_uncertainty(Reading& reading, const Uncertainty& relative) {
  if (!reading.value) return;
  Uncertainty scaled = relative;
  scaled.expanded *= scale_of(reading);
  set_absolute_uncertainty(reading, scaled);
}

void set_absolute_uncertainty(Reading& reading, const Uncertainty& uncertainty) {
  if (!reading.value || !std::isfinite(uncertainty.expanded)) return;
  reading.uncertainty = uncertainty.expanded;
  reading.k = uncertainty.k;
}

double db_or_nothing(double ratio) {
  return ratio > 0 ? std::max(kNothing_db, db_of_amplitude_ratio(ratio)) : kNothing_db;
}

std::optional<NoiseShare> noise_share(const ReadingContext& context, const std::string& channel,
                                      const std::optional<OperatingPoint>& at) {
  if (!knows_sound_card(context, channel)) return std::nullopt;
  const std::size_t index = channel_index(context, channel);
  NoiseShare share =
      at ? context.residual->noise(index, *at) : context.residual->silent_noise(index);
  const Loopback& loopback = *context.chain->profile().loopback;
  const double high_hz = std::min(context.band.high_hz, context.sample_rate_hz / 2);
  const double widened = high_hz / loopback.band_high_hz;
  constexpr double kSame = 0.01;
  if (widened > 1 + kSame) share.most_ms *= widened;  // as far as it is white
  if (widened < 1 - kSame || context.band.low_hz > loopback.band_low_hz * (1 + kSame)) {
    share.least_ms = 0;
  }
  return share;
}

std::optional<NoiseShare> weighted_share(const std::optional<NoiseShare>& share,
                                         double white_gain) {
  if (!share) return std::nullopt;
  return NoiseShare{share->least_ms * white_gain / 2, share->most_ms * white_gain * 2};
}

double white_gain_a(const ReadingContext& context) { return white_power(context, Weighting::kA); }

double white_gain_468(const ReadingContext& context) {
  return white_power(context, Weighting::k468);
}

RatioLimits noise_ratio_limits(const ReadingContext& context, const std::string& channel,
                               const Level& noise, double tone_hz, double tone_deviation) {
  RatioLimits limits;
  const bool is_scaled = is_calibrated(context, channel);
  if (!(is_scaled || knows_sound_card(context, channel)) || !(noise.rms > 0)) return limits;
  const std::size_t index = channel_index(context, channel);
  const double response =
      volts_correction(*context.chain, index, tone_hz, context.residual.get()) /
      volts_correction(*context.chain, index, noise.frequency_hz, context.residual.get());
  // Volts have half of the loopback's response taken out; without any, all of it stays open.
  const double open =
      std::abs((is_scaled ? response : loop_ratio(context, index, noise, tone_hz)) - 1);
  const OwnLevel own = own_level(noise);
  limits.is_sound_card = own.is_sound_card;
  limits.own = own.rms / response;
  if (own.interval) {
    limits.interval = Interval{own.interval->low / response * std::max(0.0, 1 - open),
                               own.interval->high / response * (1 + open)};
  }
  if (own.is_sound_card || own.is_open_below) return limits;
  const double infinite = Repeatability{}.degrees_of_freedom;
  const std::vector<Component> budget = {type_a("noise", own.standard, infinite),
                                         type_a("tone", tone_deviation, infinite),
                                         rectangular("response of the sound card", open)};
  limits.relative = combine(budget);
  return limits;
}

}  // namespace sinewright
