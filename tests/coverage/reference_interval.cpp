#include "reference_interval.h"

#include <cmath>
#include <complex>
#include <numbers>
#include <vector>

#include "bench/monte_carlo.h"

namespace sinewright {
namespace {

constexpr std::size_t kTrials = 4000;

MonteCarloInput bound(double half_width) {
  return {0, half_width / std::numbers::sqrt3, Shape::kRectangular};
}
MonteCarloInput normal(double standard) { return {0, standard, Shape::kNormal}; }
/// Uniform over a turn, in radians.
MonteCarloInput angle() { return bound(std::numbers::pi); }

double width_of(const Known& known, const std::vector<MonteCarloInput>& inputs,
                const std::function<double(std::span<const double>)>& model) {
  MonteCarloSettings settings;
  settings.trials = kTrials;
  settings.seed = known.seed;
  const MonteCarloResult result = propagate(inputs, model, settings);
  return result.symmetric.high - result.symmetric.low;
}

double ratio_of_db(double db) { return std::pow(10, db / 20); }

const ScaleCalibration& scale(const Known& known, std::size_t channel) {
  return *known.chain.range().calibration->channels[channel];
}

double card_db_to_tone(const Known& known, std::size_t channel) {
  return *known.residual.response_db(channel, kTone_hz, kCalibrated_hz);
}

// Meter, display, calibration's spread, gain since, share of the response (in dB), spread now.
std::vector<MonteCarloInput> volts_inputs(const Known& known, std::size_t channel) {
  const ScaleCalibration& own = scale(known, channel);
  const MeterAccuracy& meter = known.bench.voltmeter;
  return {bound(meter.half_width(own.meter_v) / own.meter_v),
          bound(meter.resolution / 2 / own.meter_v),
          normal(own.repeatability),
          bound(known.bench.stability_percent / 100),
          bound(std::abs(card_db_to_tone(known, channel)) / 2),
          normal(known.analysis.channels[channel].level_deviation)};
}

double volts_factor(std::span<const double> x) {
  return (1 + x[0] + x[1]) * (1 + x[2]) * (1 + x[3]) * ratio_of_db(x[4]) * (1 + x[5]);
}

// The residual's and the spread's share of each harmonic that counts.
struct HarmonicKnown {
  double measured;
  double residual;
  double spread;
};

std::vector<HarmonicKnown> harmonics_known(const Known& known, std::size_t channel,
                                           const OperatingPoint& at) {
  std::vector<HarmonicKnown> found;
  for (const HarmonicLevel& level : known.analysis.channels[channel].harmonics) {
    if (level.order > kHighestOrder) break;
    const double m = std::sqrt(std::max(0.0, level.power_ratio));
    if (m < 3 * level.deviation) continue;
    found.push_back(
        {m, known.residual.harmonic(channel, level.order, at).typical, level.deviation});
  }
  return found;
}

// For each harmonic phase of the residual and spread; last the share of the response.
std::vector<MonteCarloInput> harmonic_inputs(const std::vector<HarmonicKnown>& harmonics) {
  std::vector<MonteCarloInput> inputs;
  for (const HarmonicKnown& harmonic : harmonics) {
    inputs.push_back(angle());
    inputs.push_back(normal(harmonic.spread));
  }
  // None to all of the response between tone and harmonics is the input's. That at 2 kHz stands
  // for all harmonics.
  inputs.push_back(bound(0.5));
  return inputs;
}

double harmonics_ms(const std::vector<HarmonicKnown>& harmonics, std::span<const double> x,
                    double response_db) {
  double sum = 0;
  for (std::size_t i = 0; i < harmonics.size(); ++i) {
    const double m = harmonics[i].measured + x[2 * i + 1];
    sum += std::norm(m + std::polar(harmonics[i].residual, x[2 * i]));
  }
  const double share = 0.5 + x[2 * harmonics.size()];
  return sum * std::pow(ratio_of_db(-share * response_db), 2);
}

double response_at_harmonics_db(const Known& known, std::size_t channel) {
  return *known.residual.response_db(channel, 2 * kTone_hz, kTone_hz);
}

}  // namespace

double volts_width(const Known& known, std::size_t channel, double volts) {
  return volts * width_of(known, volts_inputs(known, channel), volts_factor);
}

double watts_width(const Known& known, std::size_t channel, double watts) {
  std::vector<MonteCarloInput> inputs = volts_inputs(known, channel);
  const double load_ohm = known.chain.load_ohm(channel);
  const MeterAccuracy& meter = known.bench.ohmmeter;
  inputs.push_back(bound(meter.half_width(load_ohm) / load_ohm));
  inputs.push_back(bound(meter.resolution / 2 / load_ohm));
  inputs.push_back(bound(meter.resolution / 2 / load_ohm));
  inputs.push_back(
      bound(known.bench.temperature_ppm_per_k * 1e-6 * known.bench.temperature_rise_k));
  return watts * width_of(known, inputs, [](std::span<const double> x) {
           return std::pow(volts_factor(x), 2) / ((1 + x[6] + x[7] + x[8]) * (1 + x[9]));
         });
}

double balance_width_db(const Known& known) {
  std::vector<MonteCarloInput> inputs = volts_inputs(known, 0);
  const std::vector<MonteCarloInput> right = volts_inputs(known, 1);
  inputs.insert(inputs.end(), right.begin(), right.end());
  inputs.push_back(bound(1));    // of the meter's bound: one meter, both readings
  inputs.push_back(bound(0.5));  // of the card's response: one card
  const auto meter_bound = [&](std::size_t channel) {
    const double volts = scale(known, channel).meter_v;
    return known.bench.voltmeter.half_width(volts) / volts;
  };
  const double left_bound = meter_bound(0), right_bound = meter_bound(1);
  const double left_db = card_db_to_tone(known, 0), right_db = card_db_to_tone(known, 1);
  return width_of(known, inputs, [=](std::span<const double> x) {
    const double left = (1 + x[12] * left_bound + x[1]) * (1 + x[2]) * (1 + x[3]) *
                        ratio_of_db(x[13] * left_db) * (1 + x[5]);
    const double right_side = (1 + x[12] * right_bound + x[7]) * (1 + x[8]) * (1 + x[9]) *
                              ratio_of_db(x[13] * right_db) * (1 + x[11]);
    return 20 * std::log10(left / right_side);
  });
}

double response_width_db(const Known& known, std::size_t channel, double frequency_hz,
                         double spread) {
  const std::vector<MonteCarloInput> inputs = {
      bound(*known.residual.response_open_db(channel, frequency_hz)), normal(spread)};
  return width_of(known, inputs,
                  [](std::span<const double> x) { return x[0] + 20 * std::log10(1 + x[1]); });
}

double thd_width(const Known& known, std::size_t channel, const OperatingPoint& at) {
  const std::vector<HarmonicKnown> harmonics = harmonics_known(known, channel, at);
  const double response_db = response_at_harmonics_db(known, channel);
  return width_of(known, harmonic_inputs(harmonics), [&](std::span<const double> x) {
    return std::sqrt(harmonics_ms(harmonics, x, response_db));
  });
}

double thd_n_width(const Known& known, std::size_t channel, const OperatingPoint& at) {
  const ToneChannel& tone = known.analysis.channels[channel];
  const std::vector<HarmonicKnown> harmonics = harmonics_known(known, channel, at);
  const double response_db = response_at_harmonics_db(known, channel);
  std::vector<MonteCarloInput> inputs = harmonic_inputs(harmonics);
  // In bins as many as the band has within the record; the window makes 1.9 of them one.
  const double noise_ms = tone.noise_rms * tone.noise_rms;
  const double tone_ms = tone.fundamental_rms * tone.fundamental_rms;
  const double bins = (kBandHigh_hz - kBandLow_hz) * known.analysis.block_s *
                      static_cast<double>(known.analysis.blocks);
  inputs.push_back(normal(std::sqrt(1.9 / bins)));
  const NoiseShare share = known.residual.noise(channel, at);
  inputs.push_back(bound((share.most_ms - share.least_ms) / 2));
  const double middle_ms = (share.most_ms + share.least_ms) / 2;
  return width_of(known, inputs, [&](std::span<const double> x) {
    const std::size_t noise = inputs.size() - 2;
    const double own_ms = std::max(0.0, noise_ms * (1 + x[noise]) - middle_ms - x[noise + 1]);
    const double rest = harmonics_ms(harmonics, x, response_db) + own_ms / tone_ms;
    return std::sqrt(rest / (1 + rest));
  });
}

}  // namespace sinewright
