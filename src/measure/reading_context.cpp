#include "measure/reading_context.h"

#include <algorithm>

namespace sinewright {

namespace {

// What watts are computed with: left and right where the load was measured.
Condition load_condition(const Chain& chain) {
  if (!chain.profile().load.calibration) return {"load_ohm", chain.load_ohm(0)};
  return {"load_ohm", std::vector<double>{chain.load_ohm(0), chain.load_ohm(1)}};
}

}  // namespace

std::shared_ptr<const SoundCardResidual> residual_of(const std::optional<Chain>& chain) {
  if (!chain || !chain->profile().loopback || chain->profile().loopback->tones.empty()) return {};
  return std::make_shared<const SoundCardResidual>(*chain->profile().loopback);
}

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

bool is_calibrated(const ReadingContext& context, const std::string& channel) {
  if (!context.chain) return false;
  const std::size_t index = channel_index(context, channel);
  return index < 2 && context.chain->has_calibrated_volts(index);
}

bool knows_sound_card(const ReadingContext& context, const std::string& channel) {
  return context.residual && channel_index(context, channel) < 2;
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
    bool is_all = true;
    for (std::size_t c = 0; c < context.channels.size(); ++c) {
      is_all = is_all && context.chain->has_calibrated_volts(c);
    }
    conditions.push_back({"profile", context.chain->profile().hash});
    conditions.push_back({"bench", context.chain->profile().name});
    conditions.push_back({"calibrated", is_all});
    conditions.push_back({"range", context.chain->range().name});
    conditions.push_back(load_condition(*context.chain));
  } else {
    conditions.push_back({"profile", std::monostate()});
  }
  return conditions;
}

double middle_hz(const ReadingContext& context) {
  const double high_hz = std::min(context.band.high_hz, context.sample_rate_hz / 2);
  return (context.band.low_hz + high_hz) / 2;
}

}  // namespace sinewright
