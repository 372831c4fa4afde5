#include "device/bench_parts.h"

#include <fmt/format.h>

#include <stdexcept>

#include "device/noise_source.h"

namespace sinewright {
namespace {

constexpr double kBetweenChannelsPercent = 1;  // of one sound card

void check_percent(const char* name, double percent) {
  if (percent >= 0 && percent < 100) return;
  throw std::invalid_argument(fmt::format("{} must be 0 to below 100, is {}", name, percent));
}

void check_not_negative(const char* name, double value) {
  if (value >= 0) return;
  throw std::invalid_argument(fmt::format("{} must not be negative, is {}", name, value));
}

void check(const PartTolerances& tolerances) {
  check_percent("sound_card_percent", tolerances.sound_card_percent);
  check_percent("divider_percent", tolerances.divider_percent);
  check_percent("load_percent", tolerances.load_percent);
  check_percent("voltmeter_percent", tolerances.voltmeter_percent);
  check_percent("ohmmeter_percent", tolerances.ohmmeter_percent);
  check_not_negative("volt_resolution", tolerances.volt_resolution);
  check_not_negative("ohm_resolution", tolerances.ohm_resolution);
  check_not_negative("lead_ohm", tolerances.lead_ohm);
}

double factor_within(double percent, NoiseSource& draw) {
  return 1 + percent / 100 * (2 * draw.uniform() - 1);
}

std::array<double, 2> channels_within(double percent, NoiseSource& draw) {
  const double left = factor_within(percent, draw);  // one after the other: the order is fixed
  return {left, factor_within(percent, draw)};
}

std::array<double, 2> sound_card_within(double percent, NoiseSource& draw) {
  const double both = factor_within(percent, draw);
  const double half_apart = (factor_within(kBetweenChannelsPercent, draw) - 1) / 2;
  return {both * (1 + half_apart), both * (1 - half_apart)};
}

}  // namespace

BenchParts random_parts(std::uint64_t seed, std::size_t ranges, const PartTolerances& tolerances) {
  check(tolerances);
  NoiseSource draw(seed);
  BenchParts parts;
  parts.input_scale = sound_card_within(tolerances.sound_card_percent, draw);
  parts.output_scale = sound_card_within(tolerances.sound_card_percent, draw);
  parts.load_scale = channels_within(tolerances.load_percent, draw);
  parts.voltmeter_gain = factor_within(tolerances.voltmeter_percent, draw);
  parts.ohmmeter_gain = factor_within(tolerances.ohmmeter_percent, draw);
  parts.lead_ohm = tolerances.lead_ohm * draw.uniform();
  parts.volt_resolution = tolerances.volt_resolution;
  parts.ohm_resolution = tolerances.ohm_resolution;
  // Last, so that another range leaves everything else as it was.
  for (std::size_t k = 0; k < ranges; ++k) {
    parts.ratio_scale.push_back(channels_within(tolerances.divider_percent, draw));
  }
  return parts;
}

}  // namespace sinewright
