#include "bench/load_limit.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

namespace sinewright {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kAssumedContinuous = 0.1;  // of rated_w
constexpr double kRounding = 1e-9;

double checked(const char* name, double value) {
  if (value > 0 && std::isfinite(value)) return value;
  throw std::invalid_argument(fmt::format("{} must be above 0, is {}", name, value));
}

}  // namespace

LoadHeat::LoadHeat(const Load& load)
    : rated_w_(checked("rated_w", load.rated_w)), continuous_w_(rated_w_), tau_s_(0) {
  if (!load.rated_s) return;
  const double rated_s = checked("rated_s", *load.rated_s);
  continuous_w_ =
      checked("continuous_w", load.continuous_w.value_or(kAssumedContinuous * rated_w_));
  if (continuous_w_ >= rated_w_) {
    continuous_w_ = rated_w_;
    return;
  }
  tau_s_ = -rated_s / std::log1p(-continuous_w_ / rated_w_);
}

void LoadHeat::advance(double watts, double seconds) {
  const double at_end = final_heat(watts);
  heat_ = tau_s_ > 0 ? at_end + (heat_ - at_end) * std::exp(-seconds / tau_s_) : at_end;
}

bool LoadHeat::may_take(double watts, double seconds) const { return rest_s(watts, seconds) <= 0; }

double LoadHeat::rest_s(double watts, double seconds) const {
  if (watts > rated_w_ * (1 + kRounding)) return kInfinity;
  const double at_end = final_heat(watts);
  // What it may have at the start; a load without memory, or one at its continuous power, any.
  if (tau_s_ == 0 || at_end <= 1) return 0;
  const double most = at_end - (at_end - 1) * std::exp(seconds / tau_s_) + kRounding;
  if (most <= 0) return kInfinity;
  return heat_ <= most ? 0 : tau_s_ * std::log(heat_ / most);
}

double LoadHeat::bearable_s(double watts) const {
  if (watts > rated_w_ * (1 + kRounding)) return 0;
  const double at_end = final_heat(watts);
  if (tau_s_ == 0 || at_end <= 1) return kInfinity;
  return std::max(0.0, tau_s_ * std::log((at_end - heat_) / (at_end - 1)));
}

}  // namespace sinewright
