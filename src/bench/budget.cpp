#include "bench/budget.h"

#include <cmath>
#include <limits>
#include <optional>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

/// The sound card's own response at the frequency measured, relative to that at calibration.
double response_db(const SoundCardResidual* residual, std::size_t channel, double frequency_hz,
                   double calibrated_hz) {
  if (!residual) return 0;
  return residual->response_db(channel, frequency_hz, calibrated_hz).value_or(0);
}

/// Relative change of amplitude that `db` comes to.
double relative_of_db(double db) { return std::pow(10, std::abs(db) / 20) - 1; }

void require(bool is_calibrated, const char* what, std::size_t channel) {
  if (!is_calibrated) {
    throw std::invalid_argument("channel " + std::to_string(channel) + ": its " + what +
                                " are not calibrated; no budget");
  }
}

/// One channel's scale and what it was measured with.
struct Scale {
  const ScaleCalibrations& all;
  const ScaleCalibration& own;

  [[nodiscard]] double meter_bound() const {
    return all.meter.half_width(own.meter_v) / own.meter_v;
  }
  [[nodiscard]] double display_bound() const { return all.meter.resolution / 2 / own.meter_v; }
};

Scale scale_of(const Chain& chain, std::size_t channel) {
  require(channel <= 1 && chain.has_calibrated_volts(channel), "volts", channel);
  const ScaleCalibrations& all = *chain.range().calibration;
  return {all, *all.channels[channel]};
}

Component repeatability_now(const std::string& source, const Repeatability& repeatability) {
  return type_a(source, repeatability.relative, repeatability.degrees_of_freedom);
}

/// What one channel's volts have of their own, whatever the meter.
void add_own(std::vector<Component>& budget, const Chain& chain, const Scale& scale,
             const Repeatability& repeatability, const std::string& side) {
  budget.push_back(rectangular("display of the meter" + side, scale.display_bound()));
  budget.push_back(type_a("repeatability at calibration" + side, scale.own.repeatability,
                          std::numeric_limits<double>::infinity()));
  budget.push_back(rectangular("gain of sound card and divider since" + side,
                               chain.profile().stability_percent / 100));
  budget.push_back(repeatability_now("repeatability" + side, repeatability));
}

/// What divider and cable lose at one frequency but not at the other: one pole far above, so as the
/// square of the frequency.
void add_divider(std::vector<Component>& budget, const Chain& chain, double frequency_hz,
                 double reference_hz, const std::string& side = "") {
  if (!(chain.range().loss_20khz_db > 0)) return;
  constexpr double kStated_hz = 20000;
  const auto loss_db = [&](double hz) {
    return chain.range().loss_20khz_db * std::pow(hz / kStated_hz, 2);
  };
  budget.push_back(rectangular("divider's response" + side,
                               relative_of_db(loss_db(frequency_hz) - loss_db(reference_hz))));
}

}  // namespace

std::vector<Component> volts_budget(const Chain& chain, std::size_t channel, double frequency_hz,
                                    const Repeatability& repeatability,
                                    const SoundCardResidual* residual) {
  const Scale scale = scale_of(chain, channel);
  std::vector<Component> budget{rectangular(kMeterSource, scale.meter_bound())};
  add_own(budget, chain, scale, repeatability, "");
  const double open_db = response_db(residual, channel, frequency_hz, scale.all.frequency_hz) / 2;
  budget.push_back(rectangular("sound card's response", relative_of_db(open_db)));
  add_divider(budget, chain, frequency_hz, scale.all.frequency_hz);
  return budget;
}

std::vector<Component> load_budget(const Chain& chain, std::size_t channel) {
  require(channel <= 1 && chain.profile().load.calibration.has_value(), "ohms", channel);
  const LoadCalibration& load = *chain.profile().load.calibration;
  const double load_ohm = load.resistance_ohm[channel];
  // The meter's scale error is one and the same with and without the load, so it stays relative to
  // what the load has; either display is rounded by itself.
  const double step_bound = load.meter.resolution / 2 / load_ohm;
  const double warmth = std::abs(load.temperature_ppm_per_k * 1e-6 * load.temperature_rise_k);
  return {rectangular("ohmmeter", load.meter.half_width(load_ohm) / load_ohm),
          rectangular("display of the ohmmeter", step_bound), rectangular("leads", step_bound),
          rectangular("load's temperature", warmth)};
}

std::vector<Component> watts_budget(const Chain& chain, std::size_t channel, double frequency_hz,
                                    const Repeatability& repeatability,
                                    const SoundCardResidual* residual) {
  require(chain.has_calibrated_watts(channel), "watts", channel);
  std::vector<Component> budget =
      volts_budget(chain, channel, frequency_hz, repeatability, residual);
  for (Component& component : budget) component.sensitivity = 2;
  const std::vector<Component> of_load = load_budget(chain, channel);
  budget.insert(budget.end(), of_load.begin(), of_load.end());
  return budget;
}

std::vector<Component> balance_budget(const Chain& chain, double frequency_hz,
                                      const Repeatability& left, const Repeatability& right,
                                      const SoundCardResidual* residual) {
  const Scale of_left = scale_of(chain, 0), of_right = scale_of(chain, 1);
  std::vector<Component> budget{
      rectangular(kMeterSource, std::abs(of_left.meter_bound() - of_right.meter_bound()))};
  add_own(budget, chain, of_left, left, ", left");
  add_own(budget, chain, of_right, right, ", right");
  const double calibrated_hz = of_left.all.frequency_hz;
  const double apart_db = response_db(residual, 0, frequency_hz, calibrated_hz) -
                          response_db(residual, 1, frequency_hz, calibrated_hz);
  budget.push_back(rectangular("sound card's response", relative_of_db(apart_db / 2)));
  add_divider(budget, chain, frequency_hz, calibrated_hz, ", left");
  add_divider(budget, chain, frequency_hz, calibrated_hz, ", right");
  return budget;
}

std::vector<Component> response_budget(const Chain& chain, std::size_t channel, double frequency_hz,
                                       const Repeatability& at_frequency,
                                       const Repeatability& at_reference,
                                       const SoundCardResidual* residual, double reference_hz) {
  if (!residual) return {};
  const std::optional<double> open_db = residual->response_open_db(channel, frequency_hz);
  if (!open_db) return {};
  std::vector<Component> budget = {
      rectangular("sound card's response", relative_of_db(*open_db)),
      type_a("repeatability of the loopback",
             residual->response_deviation(channel, frequency_hz, reference_hz),
             std::numeric_limits<double>::infinity()),
      repeatability_now("repeatability", at_frequency),
      repeatability_now("repeatability at the reference", at_reference)};
  add_divider(budget, chain, frequency_hz, reference_hz);
  return budget;
}

double volts_correction(const Chain& chain, std::size_t channel, double frequency_hz,
                        const SoundCardResidual* residual) {
  if (channel > 1 || !chain.has_calibrated_volts(channel)) return 1;
  const double calibrated_hz = chain.range().calibration->frequency_hz;
  return std::pow(10, -response_db(residual, channel, frequency_hz, calibrated_hz) / 2 / 20);
}

}  // namespace sinewright
