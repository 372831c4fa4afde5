#include "bench/residual.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>
#include <utility>

namespace sinewright {
namespace {

/// Readings of one level differ by this much; a residual of third order by twice it.
constexpr double kSameLevelDb = 0.02;
/// Tones that are this alike stand for one frequency.
constexpr double kSameFrequency = 1e-3;
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

void require_frequency(const char* name, double frequency_hz) {
  if (!(frequency_hz > 0) || !std::isfinite(frequency_hz)) {
    throw std::invalid_argument(std::string(name) + " " + std::to_string(frequency_hz) +
                                ": must be above 0 Hz");
  }
}

const ResidualHarmonic* find_harmonic(const LoopbackTone::Channel& channel, int order) {
  for (const ResidualHarmonic& harmonic : channel.harmonics) {
    if (harmonic.order == order) return &harmonic;
  }
  return nullptr;
}

double highest_dbc(const LoopbackTone::Channel& channel, int order) {
  const ResidualHarmonic* harmonic = find_harmonic(channel, order);
  return harmonic ? harmonic->level_dbc : channel.floor_dbc;
}

double typical_dbc(const LoopbackTone::Channel& channel, int order) {
  const ResidualHarmonic* harmonic = find_harmonic(channel, order);
  return harmonic ? harmonic->level_dbc : channel.floor_dbc - 10 * std::log10(3.0);
}

/// y over x among `tones` (ascending x), straight between two, constant outside.
template <typename X, typename Y>
double interpolated(std::span<const LoopbackTone> tones, double at, X x, Y y) {
  const auto above =
      std::find_if(tones.begin(), tones.end(), [&](const auto& tone) { return x(tone) >= at; });
  if (above == tones.begin()) return y(tones.front());
  if (above == tones.end()) return y(tones.back());
  const LoopbackTone& below = *(above - 1);
  const double fraction = (at - x(below)) / (x(*above) - x(below));
  return std::lerp(y(below), y(*above), fraction);
}

/// The tones at one frequency that lie around an operating point.
struct Bracket {
  std::span<const LoopbackTone> tones;
  bool is_closed;  ///< on both sides
};

Bracket bracket(std::span<const LoopbackTone> tones, std::size_t channel,
                const OperatingPoint& at) {
  std::optional<std::size_t> below, above;
  for (std::size_t i = 0; i < tones.size(); ++i) {
    const double over_input_db = tones[i].channels[channel].level_dbfs - at.input_dbfs;
    const double over_drive_db =
        at.drive_dbfs ? tones[i].drive_dbfs - *at.drive_dbfs : over_input_db;
    if (std::max(over_input_db, over_drive_db) <= kSameLevelDb) below = i;
    if (std::min(over_input_db, over_drive_db) >= -kSameLevelDb && !above) above = i;
  }
  const std::size_t one = below.value_or(0), other = above.value_or(tones.size() - 1);
  const std::size_t first = std::min(one, other), last = std::max(one, other);
  return {tones.subspan(first, last - first + 1), below && above};
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

SoundCardResidual::SoundCardResidual(Loopback loopback) : loopback_(std::move(loopback)) {
  if (loopback_.tones.empty()) throw std::invalid_argument("loopback: has no tones");
  std::vector<LoopbackTone> tones = std::exchange(loopback_.tones, {});
  for (const LoopbackTone& tone : tones) require_frequency("loopback frequency", tone.frequency_hz);
  std::sort(tones.begin(), tones.end(),
            [](const auto& a, const auto& b) { return a.frequency_hz < b.frequency_hz; });
  for (LoopbackTone& tone : tones) {
    if (at_frequency_.empty() ||
        tone.frequency_hz > at_frequency_.back().frequency_hz * (1 + kSameFrequency)) {
      at_frequency_.push_back({tone.frequency_hz, {}});
    }
    at_frequency_.back().tones.push_back(std::move(tone));
  }
  for (AtFrequency& at : at_frequency_) {
    std::sort(at.tones.begin(), at.tones.end(),
              [](const auto& a, const auto& b) { return a.drive_dbfs < b.drive_dbfs; });
  }
}

SoundCardResidual::Around SoundCardResidual::around(double frequency_hz) const {
  require_frequency("frequency_hz", frequency_hz);
  const auto above =
      std::find_if(at_frequency_.begin(), at_frequency_.end(),
                   [&](const AtFrequency& at) { return at.frequency_hz >= frequency_hz; });
  if (above == at_frequency_.begin()) return {&*above, &*above, 0};
  if (above == at_frequency_.end()) return {&at_frequency_.back(), &at_frequency_.back(), 0};
  const auto below = above - 1;
  if (frequency_hz <= below->frequency_hz * (1 + kSameFrequency)) return {&*below, &*below, 0};
  return {&*below, &*above,
          std::log(frequency_hz / below->frequency_hz) /
              std::log(above->frequency_hz / below->frequency_hz)};
}

bool SoundCardResidual::covers(double frequency_hz, double margin_ratio) const {
  return frequency_hz * margin_ratio >= at_frequency_.front().frequency_hz &&
         frequency_hz <= at_frequency_.back().frequency_hz * margin_ratio;
}

double SoundCardResidual::gain_db(std::size_t channel, double frequency_hz) const {
  const auto [below, above, fraction] = around(frequency_hz);
  return std::lerp(gain_db_of(response_tone(below->tones), channel),
                   gain_db_of(response_tone(above->tones), channel), fraction);
}

std::optional<double> SoundCardResidual::response_db(std::size_t channel, double frequency_hz,
                                                     double reference_hz) const {
  require_channel(channel);
  if (!covers(frequency_hz, kBandMargin) || !covers(reference_hz, kBandMargin)) return {};
  return gain_db(channel, frequency_hz) - gain_db(channel, reference_hz);
}

std::optional<double> SoundCardResidual::response_open_db(std::size_t channel,
                                                          double frequency_hz) const {
  require_channel(channel);
  if (!covers(frequency_hz, kBandMargin)) return {};
  const auto [below, above, fraction] = around(frequency_hz);
  const double step_db = gain_db_of(response_tone(above->tones), channel) -
                         gain_db_of(response_tone(below->tones), channel);
  return std::abs(step_db) * std::min(fraction, 1 - fraction);
}

double SoundCardResidual::gain_deviation(std::size_t channel, double frequency_hz) const {
  constexpr double kFloorDeviations = 7.04;  // 5 sqrt(1.98)
  const auto [below, above, fraction] = around(frequency_hz);
  const auto deviation = [&](const AtFrequency& at) {
    return amplitude_of_db(response_tone(at.tones).channels[channel].floor_dbc) / kFloorDeviations;
  };
  return std::hypot((1 - fraction) * deviation(*below), fraction * deviation(*above));
}

double SoundCardResidual::response_deviation(std::size_t channel, double frequency_hz,
                                             double reference_hz) const {
  require_channel(channel);
  const Around at = around(frequency_hz), reference = around(reference_hz);
  // One and the same reading cancels.
  if (at.below == reference.below && at.fraction == reference.fraction) return 0;
  return std::hypot(gain_deviation(channel, frequency_hz), gain_deviation(channel, reference_hz));
}

std::optional<double> SoundCardResidual::phase_deg(double frequency_hz) const {
  if (!covers(frequency_hz, kBandMargin)) return {};
  const auto [below, above, fraction] = around(frequency_hz);
  const double start_deg = response_tone(below->tones).phase_deg;
  const double step_deg = response_tone(above->tones).phase_deg - start_deg;
  // The short way round, and the result within a half turn.
  return std::remainder(start_deg + fraction * std::remainder(step_deg, 360.0), 360.0);
}

ResidualBound SoundCardResidual::harmonic(std::size_t channel, int order,
                                          const OperatingPoint& at) const {
  require_channel(channel);
  const auto [below, above, fraction] = around(at.frequency_hz);
  ResidualBound bound{0, 0, covers(at.frequency_hz, kThirdOctave)};
  for (const AtFrequency* near : {below, above}) {
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
  return bound;
}

NoiseShare SoundCardResidual::noise(std::size_t channel, const OperatingPoint& at) const {
  require_channel(channel);
  const auto [below, above, fraction] = around(at.frequency_hz);
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
