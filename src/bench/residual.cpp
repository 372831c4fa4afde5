#include "bench/residual.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>
#include <utility>

#include "bench/converter_split.h"

namespace sinewright {
namespace {

/// ISO 266's "20 Hz" is 19.953 Hz.
constexpr double kBandMargin = 1.003;
constexpr double kResponseDriveDbfs = -12;
const double kThirdOctave = std::pow(2.0, 1.0 / 3);

double amplitude_of_db(double db) { return std::pow(10, db / 20); }
double power_of_db(double db) { return std::pow(10, db / 10); }

/// 0 dBFS is the RMS of a full-scale sine, whose mean square is 1/2.
double mean_square_of_dbfs(double dbfs) { return power_of_db(dbfs) / 2; }

void require_channel(std::size_t channel) {
  if (channel > 1) {
    throw std::invalid_argument("channel " + std::to_string(channel) + ": 0 (left) or 1 (right)");
  }
}

double highest_dbc(const LoopbackTone::Channel& channel, int order) {
  const ResidualHarmonic* harmonic = find_harmonic(channel, order);
  return harmonic ? harmonic->level_dbc : channel.floor_dbc;
}

double typical_dbc(const LoopbackTone::Channel& channel, int order) {
  const ResidualHarmonic* harmonic = find_harmonic(channel, order);
  return harmonic ? harmonic->level_dbc : channel.floor_dbc - 10 * std::log10(3.0);
}

double typical_at(std::span<const LoopbackTone> tones, std::size_t channel, int order,
                  double input_dbfs) {
  return interpolated(
      tones, input_dbfs,
      [&](const LoopbackTone& tone) { return tone.channels[channel].level_dbfs; },
      [&](const LoopbackTone& tone) { return typical_dbc(tone.channels[channel], order); });
}

/// Noise and gain of the loopback at one frequency, as powers.
struct LoopNoise {
  double noise_ms;
  double gain;  ///< level read over level played, squared
};

LoopNoise loop_noise(std::span<const LoopbackTone> tones, std::size_t channel,
                     const OperatingPoint& at) {
  const auto level_db = [&](const LoopbackTone& tone) {
    return at.drive_dbfs ? tone.drive_dbfs : tone.channels[channel].level_dbfs;
  };
  const double at_db = at.drive_dbfs.value_or(at.input_dbfs);
  // Of the output's noise one part is constant and one goes with the tone: straight over its power.
  const double noise_ms = interpolated(
      tones, power_of_db(at_db), [&](const auto& tone) { return power_of_db(level_db(tone)); },
      [&](const auto& tone) { return mean_square_of_dbfs(tone.channels[channel].noise_dbfs); });
  const double gain_db = interpolated(tones, at_db, level_db, [&](const auto& tone) {
    return tone.channels[channel].level_dbfs - tone.drive_dbfs;
  });
  return {noise_ms, power_of_db(gain_db)};
}

const LoopbackTone& response_tone(std::span<const LoopbackTone> tones) {
  return *std::min_element(tones.begin(), tones.end(), [](const auto& a, const auto& b) {
    return std::abs(a.drive_dbfs - kResponseDriveDbfs) <
           std::abs(b.drive_dbfs - kResponseDriveDbfs);
  });
}

double gain_db_of(const LoopbackTone& tone, std::size_t channel) {
  return tone.channels[channel].level_dbfs - tone.drive_dbfs;
}

}  // namespace

SoundCardResidual::SoundCardResidual(Loopback loopback)
    : loopback_(std::move(loopback)),
      table_(std::exchange(loopback_.tones, {})),
      divided_(std::exchange(loopback_.output_tones, {})) {
  if (table_.is_empty()) throw std::invalid_argument("loopback: has no tones");
}

double SoundCardResidual::gain_db(std::size_t channel, double frequency_hz) const {
  const auto [below, above, fraction] = table_.around(frequency_hz);
  return std::lerp(gain_db_of(response_tone(below->tones), channel),
                   gain_db_of(response_tone(above->tones), channel), fraction);
}

std::optional<double> SoundCardResidual::response_db(std::size_t channel, double frequency_hz,
                                                     double reference_hz) const {
  require_channel(channel);
  if (!table_.covers(frequency_hz, kBandMargin) || !table_.covers(reference_hz, kBandMargin))
    return {};
  return gain_db(channel, frequency_hz) - gain_db(channel, reference_hz);
}

std::optional<double> SoundCardResidual::response_open_db(std::size_t channel,
                                                          double frequency_hz) const {
  require_channel(channel);
  if (!table_.covers(frequency_hz, kBandMargin)) return {};
  const auto [below, above, fraction] = table_.around(frequency_hz);
  const double step_db = gain_db_of(response_tone(above->tones), channel) -
                         gain_db_of(response_tone(below->tones), channel);
  return std::abs(step_db) * std::min(fraction, 1 - fraction);
}

double SoundCardResidual::gain_deviation(std::size_t channel, double frequency_hz) const {
  constexpr double kFloorDeviations = 7.04;  // 5 sqrt(1.98)
  const auto [below, above, fraction] = table_.around(frequency_hz);
  const auto deviation = [&](const TonesAtFrequency& at) {
    return amplitude_of_db(response_tone(at.tones).channels[channel].floor_dbc) / kFloorDeviations;
  };
  return std::hypot((1 - fraction) * deviation(*below), fraction * deviation(*above));
}

double SoundCardResidual::response_deviation(std::size_t channel, double frequency_hz,
                                             double reference_hz) const {
  require_channel(channel);
  const LoopbackTable::Around at = table_.around(frequency_hz),
                              reference = table_.around(reference_hz);
  // One and the same reading cancels.
  if (at.below == reference.below && at.fraction == reference.fraction) return 0;
  return std::hypot(gain_deviation(channel, frequency_hz), gain_deviation(channel, reference_hz));
}

std::optional<double> SoundCardResidual::phase_deg(double frequency_hz) const {
  if (!table_.covers(frequency_hz, kBandMargin)) return {};
  const auto [below, above, fraction] = table_.around(frequency_hz);
  const double start_deg = response_tone(below->tones).phase_deg;
  const double step_deg = response_tone(above->tones).phase_deg - start_deg;
  // The short way round, and the result within a half turn.
  return std::remainder(start_deg + fraction * std::remainder(step_deg, 360.0), 360.0);
}

ResidualBound SoundCardResidual::harmonic(std::size_t channel, int order,
                                          const OperatingPoint& at) const {
  require_channel(channel);
  const auto [below, above, fraction] = table_.around(at.frequency_hz);
  ResidualBound bound;
  bound.is_bracketed = table_.covers(at.frequency_hz, kThirdOctave);
  for (const TonesAtFrequency* near : {below, above}) {
    const Bracket levels = bracket(near->tones, channel, at);
    bound.is_bracketed = bound.is_bracketed && levels.is_closed;
    for (const LoopbackTone& tone : levels.tones) {
      bound.highest =
          std::max(bound.highest, amplitude_of_db(highest_dbc(tone.channels[channel], order)));
    }
  }
  bound.typical =
      amplitude_of_db(std::lerp(typical_at(below->tones, channel, order, at.input_dbfs),
                                typical_at(above->tones, channel, order, at.input_dbfs), fraction));
  bound.parts = {bound.typical, 0};
  if (divided_.is_empty()) return bound;
  if (at.drive_dbfs) {
    const auto loops = divided_.around(at.frequency_hz);
    const double highest_dbfs =
        std::min(loops.below->tones.back().drive_dbfs, loops.above->tones.back().drive_dbfs);
    bound.is_bracketed = bound.is_bracketed && *at.drive_dbfs <= highest_dbfs + kSameLevelDb;
  }
  const auto shares = split_converters(table_, divided_, channel, order, at, bound.typical);
  if (!shares) return bound;
  bound.parts = shares->typical;
  bound.typical = std::hypot(bound.parts[0], bound.parts[1]);
  bound.highest = shares->highest;
  return bound;
}

NoiseShare SoundCardResidual::noise(std::size_t channel, const OperatingPoint& at) const {
  require_channel(channel);
  const auto [below, above, fraction] = table_.around(at.frequency_hz);
  const LoopNoise low = loop_noise(below->tones, channel, at);
  const LoopNoise high = loop_noise(above->tones, channel, at);
  const double loop_ms = std::lerp(low.noise_ms, high.noise_ms, fraction);
  std::optional<double> input_ms;
  if (loopback_.input_noise_dbfs) {
    input_ms = mean_square_of_dbfs((*loopback_.input_noise_dbfs)[channel]);
  }
  if (!at.drive_dbfs) {
    return {input_ms.value_or(0), std::max(input_ms.value_or(0), loop_ms)};
  }
  const double gain =
      power_of_db(at.input_dbfs - *at.drive_dbfs) / std::lerp(low.gain, high.gain, fraction);
  if (input_ms) {
    const double known_ms = *input_ms + gain * std::max(0.0, loop_ms - *input_ms);
    return {known_ms, known_ms};
  }
  return {std::min(1.0, gain) * loop_ms, std::max(1.0, gain) * loop_ms};
}

NoiseShare SoundCardResidual::silent_noise(std::size_t channel) const {
  require_channel(channel);
  const double loop_ms = mean_square_of_dbfs(loopback_.silent_noise_dbfs[channel]);
  if (!loopback_.input_noise_dbfs) return {0, loop_ms};
  const double input_ms = mean_square_of_dbfs((*loopback_.input_noise_dbfs)[channel]);
  return {input_ms, std::max(input_ms, loop_ms)};
}

double SoundCardResidual::hum_rms(std::size_t channel, int order) const {
  require_channel(channel);
  for (const LoopbackHum& line : loopback_.hum) {
    if (line.order == order) return std::sqrt(mean_square_of_dbfs(line.level_dbfs[channel]));
  }
  return 0;
}

}  // namespace sinewright
