#include "bench/clamp.h"

#include <algorithm>
#include <cmath>

namespace sinewright {
namespace {

constexpr double kThermal_v = 0.025693;  // k T / q at 25 °C
constexpr int kBisections = 80;
constexpr double kLowest_dbc = -400;

double scale_v(const Clamp& clamp) { return clamp.in_series * clamp.diode.emission * kThermal_v; }

/// Where the ascending `f` passes zero between `low` and `high`.
template <typename F>
double crossing(F f, double low, double high) {
  for (int i = 0; i < kBisections; ++i) {
    const double middle = (low + high) / 2;
    (f(middle) < 0 ? low : high) = middle;
  }
  return (low + high) / 2;
}

}  // namespace

double clamp_a(const Clamp& clamp, double volts) {
  return 2 * clamp.diode.saturation_a * std::sinh(std::abs(volts) / scale_v(clamp));
}

double clamped_v(const Clamp& clamp, double volts, double resistance_ohm) {
  const auto surplus = [&](double v) { return v + resistance_ohm * clamp_a(clamp, v) - volts; };
  return crossing(surplus, 0, volts);
}

double clamp_third_harmonic_dbc(const Clamp& clamp, double peak_v, double resistance_ohm) {
  const double harmonic_a =
      4 * clamp.diode.saturation_a * std::cyl_bessel_i(3.0, peak_v / scale_v(clamp));
  const double part = harmonic_a * resistance_ohm / peak_v;
  return std::max(kLowest_dbc, 20 * std::log10(part));
}

double clean_peak_v(const Clamp& clamp, double resistance_ohm, double limit_dbc) {
  const auto excess = [&](double v) {
    return clamp_third_harmonic_dbc(clamp, v, resistance_ohm) - limit_dbc;
  };
  // 60 scales: far into conduction for any diode.
  return crossing(excess, 1e-3 * scale_v(clamp), 60 * scale_v(clamp));
}

Clamp clamp_for(const ClampDiode& diode, double peak_v, double resistance_ohm, double limit_dbc) {
  Clamp clamp{diode, 1};
  while (clean_peak_v(clamp, resistance_ohm, limit_dbc) < peak_v) ++clamp.in_series;
  return clamp;
}

}  // namespace sinewright
