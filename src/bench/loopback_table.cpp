#include "bench/loopback_table.h"

#include <stdexcept>
#include <string>
#include <utility>

namespace sinewright {
namespace {

/// Tones that are this alike stand for one frequency.
constexpr double kSameFrequency = 1e-3;

}  // namespace

void require_frequency(const char* name, double frequency_hz) {
  if (!(frequency_hz > 0) || !std::isfinite(frequency_hz)) {
    throw std::invalid_argument(std::string(name) + " " + std::to_string(frequency_hz) +
                                ": must be above 0 Hz");
  }
}

LoopbackTable::LoopbackTable(std::vector<LoopbackTone> tones) {
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
  for (TonesAtFrequency& at : at_frequency_) {
    std::sort(at.tones.begin(), at.tones.end(),
              [](const auto& a, const auto& b) { return a.drive_dbfs < b.drive_dbfs; });
  }
}

LoopbackTable::Around LoopbackTable::around(double frequency_hz) const {
  require_frequency("frequency_hz", frequency_hz);
  const auto above =
      std::find_if(at_frequency_.begin(), at_frequency_.end(),
                   [&](const TonesAtFrequency& at) { return at.frequency_hz >= frequency_hz; });
  if (above == at_frequency_.begin()) return {&*above, &*above, 0};
  if (above == at_frequency_.end()) return {&at_frequency_.back(), &at_frequency_.back(), 0};
  const auto below = above - 1;
  if (frequency_hz <= below->frequency_hz * (1 + kSameFrequency)) return {&*below, &*below, 0};
  return {&*below, &*above,
          std::log(frequency_hz / below->frequency_hz) /
              std::log(above->frequency_hz / below->frequency_hz)};
}

bool LoopbackTable::covers(double frequency_hz, double margin_ratio) const {
  return frequency_hz * margin_ratio >= at_frequency_.front().frequency_hz &&
         frequency_hz <= at_frequency_.back().frequency_hz * margin_ratio;
}

const LoopbackTone* LoopbackTable::find(double frequency_hz, double drive_dbfs) const {
  for (const TonesAtFrequency& at : at_frequency_) {
    if (std::abs(at.frequency_hz / frequency_hz - 1) > kSameFrequency) continue;
    for (const LoopbackTone& tone : at.tones) {
      if (std::abs(tone.drive_dbfs - drive_dbfs) <= kSameLevelDb) return &tone;
    }
  }
  return nullptr;
}

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

const ResidualHarmonic* find_harmonic(const LoopbackTone::Channel& channel, int order) {
  for (const ResidualHarmonic& harmonic : channel.harmonics) {
    if (harmonic.order == order) return &harmonic;
  }
  return nullptr;
}

}  // namespace sinewright
