#include "bench/attenuator.h"

#include <array>
#include <cmath>
#include <cstddef>
#include <numbers>

namespace sinewright {
namespace {

constexpr double kBoltzmann_j_per_k = 1.380649e-23;  // exact, SI 2019

struct DeratingPoint {
  double ambient_c, part;
};
constexpr std::array<DeratingPoint, 7> kMetalFilm{
    {{70, 1}, {85, 0.8}, {100, 0.6}, {120, 0.4}, {140, 0.2}, {145, 0.1}, {150, 0}}};

double parallel_ohm(double a, double b) { return a * b / (a + b); }

}  // namespace

double loaded_bottom_ohm(const Attenuator& divider) {
  return parallel_ohm(divider.bottom_ohm, divider.input_ohm);
}

double ratio_of(const Attenuator& divider) {
  return 1 + divider.top_ohm / loaded_bottom_ohm(divider);
}

double loading_db(const Attenuator& divider) {
  return 20 * std::log10((1 + divider.top_ohm / divider.bottom_ohm) / ratio_of(divider));
}

double total_ohm(const Attenuator& divider) { return divider.top_ohm + loaded_bottom_ohm(divider); }

double source_ohm(const Attenuator& divider) {
  return parallel_ohm(divider.top_ohm, loaded_bottom_ohm(divider));
}

double top_w(const Attenuator& divider, double volts) {
  const double current_a = volts / total_ohm(divider);
  return current_a * current_a * divider.top_ohm;
}

double bottom_w(const Attenuator& divider, double volts) {
  const double tap_v = volts / ratio_of(divider);
  return tap_v * tap_v / divider.bottom_ohm;
}

double open_bottom_v(const Attenuator& divider, double volts) {
  return volts * divider.input_ohm / (divider.top_ohm + divider.input_ohm);
}

RatioBounds ratio_bounds(const Attenuator& divider, double tolerance_percent) {
  const double part = tolerance_percent / 100;
  Attenuator low = divider, high = divider;
  low.top_ohm *= 1 - part;
  low.bottom_ohm *= 1 + part;
  high.top_ohm *= 1 + part;
  high.bottom_ohm *= 1 - part;
  return {ratio_of(low), ratio_of(high)};
}

double thermal_noise_vrms(double resistance_ohm, double bandwidth_hz, double temperature_k) {
  return std::sqrt(4 * kBoltzmann_j_per_k * temperature_k * resistance_ohm * bandwidth_hz);
}

double pole_hz(double resistance_ohm, double capacitance_f) {
  return 1 / (2 * std::numbers::pi * resistance_ohm * capacitance_f);
}

double pole_loss_db(double frequency_hz, double pole_hz) {
  const double relative = frequency_hz / pole_hz;
  return 10 * std::log10(1 + relative * relative);
}

double metal_film_derating(double ambient_c) {
  if (ambient_c <= kMetalFilm.front().ambient_c) return 1;
  for (std::size_t i = 1; i < kMetalFilm.size(); ++i) {
    const DeratingPoint& from = kMetalFilm[i - 1];
    const DeratingPoint& to = kMetalFilm[i];
    if (ambient_c > to.ambient_c) continue;
    return std::lerp(from.part, to.part,
                     (ambient_c - from.ambient_c) / (to.ambient_c - from.ambient_c));
  }
  return 0;
}

double voltage_coefficient_dbc(double coefficient_ppm_per_v, double peak_v) {
  return 20 * std::log10(coefficient_ppm_per_v * 1e-6 * peak_v * 8 / (15 * std::numbers::pi));
}

}  // namespace sinewright
