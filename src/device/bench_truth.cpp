#include "device/bench_truth.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <stdexcept>

namespace sinewright {
namespace {

using Complex = std::complex<double>;
using Wave = std::vector<double>;

constexpr std::size_t kPoints = 4096;  // of a period
constexpr int kSourceHarmonics = 6;    // the converter's curve makes five
constexpr double kNoiseBandHz = 20000;
constexpr double kSilenceV = 1e-12;
constexpr double kEdgeMargin = 0.003;  // "20 Hz" of ISO 266 is 19.953 Hz
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();

double polynomial(const Polynomial& p, double x) {
  return x + p.second * x * x + p.third * x * x * x + p.fifth * x * x * x * x * x;
}

Complex low_pass(double f, double corner) { return 1.0 / Complex(1, f / corner); }
Complex high_pass(double f, double corner) { return Complex(0, f / corner) * low_pass(f, corner); }

double a_weighting(double f) {
  // IEC 61672-1, annex E, in its closed form; 1.2589 makes it 1 at 1 kHz.
  const double f2 = f * f;
  const auto pole = [f2](double corner) { return f2 + corner * corner; };
  return 1.258905 * 12194.217148 * 12194.217148 * f2 * f2 /
         (pole(20.598997) * std::sqrt(pole(107.652649) * pole(737.862231)) * pole(12194.217148));
}

/// Phasors (peak, of cosines) of orders 0 to `highest` of one period.
std::vector<Complex> fourier(const Wave& wave, int highest) {
  std::vector<Complex> unit(wave.size());
  const double count = static_cast<double>(wave.size());
  for (std::size_t n = 0; n < wave.size(); ++n) {
    unit[n] = std::polar(1.0, -kTwoPi * static_cast<double>(n) / count);
  }
  std::vector<Complex> phasors;
  for (int k = 0; k <= highest; ++k) {
    Complex sum = 0;
    for (std::size_t n = 0; n < wave.size(); ++n) {
      sum += wave[n] * unit[n * static_cast<std::size_t>(k) % wave.size()];
    }
    phasors.push_back(sum * (k == 0 ? 1.0 : 2.0) / count);
  }
  return phasors;
}

Wave wave_of(const std::vector<Complex>& phasors) {
  Wave wave(kPoints);
  for (std::size_t n = 0; n < kPoints; ++n) {
    for (std::size_t k = 0; k < phasors.size(); ++k) {
      const double angle = kTwoPi * static_cast<double>(n * k % kPoints) / kPoints;
      wave[n] += (phasors[k] * std::polar(1.0, angle)).real();
    }
  }
  return wave;
}

/// The bench in one set of conditions.
class Bench {
 public:
  Bench(const Scenario& scenario, const TruthConditions& conditions)
      : scenario_(scenario),
        receiver_(scenario.receiver),
        conditions_(conditions),
        range_(conditions.range.empty() ? scenario.ranges.front()
                                        : scenario.range(conditions.range)) {}

  BenchTruth truth() const {
    BenchTruth truth = {};
    truth.conditions = conditions_;
    const std::array<Wave, 2> inside = {into_output_stage(kLeft), into_output_stage(kRight)};
    const double sag_v = settled_sag_v(inside);
    for (std::size_t c = 0; c < 2; ++c) truth.channels[c] = channel_truth(c, inside[c], sag_v);
    const SpectrumTruth& left = truth.channels[kLeft].as_read;
    const SpectrumTruth& right = truth.channels[kRight].as_read;
    truth.balance_db = db_of_amplitude_ratio(left.fundamental_vrms / right.fundamental_vrms);
    truth.phase_deg =
        std::remainder(right.fundamental_phase_deg - left.fundamental_phase_deg, 360.0);
    return truth;
  }

 private:
  /// Peak volts of 0 dBFS at the output.
  double output_full_scale_v(std::size_t channel) const {
    return scenario_.sound_card.output_full_scale_vrms * scenario_.parts.output_scale[channel] *
           std::sqrt(2.0);
  }

  /// Peak volts at the terminals that read 0 dBFS.
  double input_full_scale_v(std::size_t channel) const {
    const auto index = static_cast<std::size_t>(&range_ - scenario_.ranges.data());
    const double ratio = range_.ratio * scenario_.parts.ratio(index)[channel];
    return ratio * scenario_.sound_card.input_full_scale_vrms *
           scenario_.parts.input_scale[channel] * std::sqrt(2.0);
  }

  double load_ohm(std::size_t channel) const {
    return scenario_.load_ohm * scenario_.parts.load_scale[channel];
  }

  /// What the sound card plays into `channel`, as phasors in volts.
  std::vector<Complex> played(std::size_t channel) const {
    const SoundCard& card = scenario_.sound_card;
    const bool is_heard = conditions_.is_driven[channel] && !conditions_.is_input_shorted;
    const double amplitude = is_heard ? amplitude_ratio_of_db(conditions_.drive_dbfs) : 0;
    Wave wave(kPoints);
    for (std::size_t n = 0; n < kPoints; ++n) {
      const double x = amplitude * std::cos(kTwoPi * static_cast<double>(n) / kPoints);
      wave[n] = polynomial(card.output_curve, x) * output_full_scale_v(channel);
    }
    return fourier(wave, kSourceHarmonics);
  }

  /// From the input of `channel` to its output stage; the volume control comes on top.
  Complex cuts(std::size_t channel, double f) const {
    const ReceiverChannel& own = receiver_.channels[channel];
    return amplitude_ratio_of_db(receiver_.gain_db) * high_pass(f, own.low_cut_hz) *
           low_pass(f, own.high_cut_hz);
  }

  double volume(std::size_t channel) const {
    return scenario_.volume_gain(conditions_.volume_db, channel);
  }

  Wave into_output_stage(std::size_t channel) const {
    const std::size_t other = 1 - channel;
    std::vector<Complex> own = played(channel);
    const std::vector<Complex> others = played(other);
    for (std::size_t k = 0; k < own.size(); ++k) {
      const double f = static_cast<double>(k) * conditions_.frequency_hz;
      const Complex coupling = amplitude_ratio_of_db(receiver_.crosstalk_db) *
                               high_pass(f, receiver_.crosstalk_corner_hz);
      own[k] = cuts(channel, f) * (volume(channel) * own[k] + coupling * volume(other) * others[k]);
    }
    return wave_of(own);
  }

  /// The output stage's curve, to the terminals.
  double stage(std::size_t channel, double v, double sag_v) const {
    const ReceiverChannel& own = receiver_.channels[channel];
    const double peak = scenario_.rated_peak_v();
    const double bent = peak * polynomial(own.curve, v / peak);
    const double crossed = bent - own.crossover_v * bent / std::hypot(bent, own.crossover_width_v);
    const double positive = receiver_.supply.positive_v - sag_v;
    const double negative = receiver_.supply.negative_v - sag_v;
    const double knee = receiver_.supply.knee_v;
    const double clipped = (std::hypot(crossed + negative, knee) -
                            std::hypot(crossed - positive, knee) + positive - negative) /
                           2;
    const double load = load_ohm(channel);
    return conditions_.is_powered ? clipped * load / (load + receiver_.output_impedance_ohm) : 0;
  }

  Wave out_of_stage(std::size_t channel, const Wave& inside, double sag_v) const {
    Wave out(inside.size());
    for (std::size_t n = 0; n < out.size(); ++n) out[n] = stage(channel, inside[n], sag_v);
    return out;
  }

  /// The fixed point of: volts drive current, current lowers the rails, rails limit the volts.
  double settled_sag_v(const std::array<Wave, 2>& inside) const {
    double sag_v = 0;
    for (int round = 0; round < 60; ++round) {
      double sum = 0;
      for (std::size_t c = 0; c < 2; ++c) {
        const double conductance = 1 / scenario_.parts.load_scale[c];  // 1 as marked
        for (const double v : inside[c]) sum += conductance * std::abs(stage(c, v, sag_v));
      }
      const double current_a = sum / kPoints / (2 * scenario_.load_ohm);
      const double next_v = receiver_.supply.resistance_ohm * current_a;
      const bool is_settled = std::abs(next_v - sag_v) < 1e-13;
      sag_v = next_v;
      if (is_settled) break;
    }
    return sag_v;
  }

  ChannelTruth channel_truth(std::size_t channel, const Wave& inside, double sag_v) const {
    const Wave terminals = out_of_stage(channel, inside, sag_v);
    const double full_scale_v = input_full_scale_v(channel);
    Wave read(terminals.size());
    for (std::size_t n = 0; n < read.size(); ++n) {
      read[n] = polynomial(scenario_.sound_card.input_curve, terminals[n] / full_scale_v);
      read[n] *= full_scale_v;
    }
    ChannelTruth truth = {};
    const double slope = rms_slope(channel, inside, sag_v);
    truth.terminals = spectrum(channel, fourier(terminals, highest_order()), slope, false);
    truth.as_read = spectrum(channel, fourier(read, highest_order()), slope, true);
    truth.fundamental_dbfs =
        db_of_amplitude_ratio(truth.as_read.fundamental_vrms * std::sqrt(2.0) / full_scale_v);
    const auto [lowest, highest] = std::minmax_element(terminals.begin(), terminals.end());
    truth.peak_positive_v = *highest;
    truth.peak_negative_v = *lowest;
    if (conditions_.is_powered) truth.hum = receiver_.channels[channel].hum;
    return truth;
  }

  int highest_order() const {
    const double highest_hz =
        std::min(conditions_.band_high_hz * (1 + kEdgeMargin), conditions_.sample_rate.hz / 2);
    const double top = highest_hz / conditions_.frequency_hz;
    return std::max(1, static_cast<int>(top));
  }

  bool is_in_band(double f) const {
    return f >= conditions_.band_low_hz * (1 - kEdgeMargin) &&
           f <= conditions_.band_high_hz * (1 + kEdgeMargin);
  }

  /// What the curve does to small signals on top of the tone.
  double rms_slope(std::size_t channel, const Wave& inside, double sag_v) const {
    constexpr double kStepV = 1e-4;
    double sum = 0;
    for (const double v : inside) {
      const double rise = stage(channel, v + kStepV, sag_v) - stage(channel, v - kStepV, sag_v);
      sum += std::pow(rise / (2 * kStepV), 2);
    }
    return std::sqrt(sum / static_cast<double>(inside.size()));
  }

  /// Mean square noise per hertz at the terminals, volts; `is_read`: with the sound card's input.
  double noise_density(std::size_t channel, double f, double slope, bool is_read) const {
    const SoundCard& card = scenario_.sound_card;
    // 24 bits with triangular dither: a quarter of a step squared, over half the sample rate.
    const double steps = std::pow(0x1p-23, 2) / 4 / (conditions_.sample_rate.hz / 2);
    const auto square = [](double x) { return x * x; };
    const double output_scale = output_full_scale_v(channel);
    double source = square(receiver_.input_noise_vrms) / kNoiseBandHz;
    if (!conditions_.is_input_shorted) {
      source += square(output_scale) *
                (square(rms_of_dbfs(card.output_noise_dbfs)) / kNoiseBandHz + steps);
    }
    double density = source * std::norm(cuts(channel, f) * volume(channel) * slope);
    if (conditions_.is_powered) {
      density += square(receiver_.channels[channel].output_noise_vrms) / kNoiseBandHz;
    }
    if (!is_read) return density;
    const double input_scale = input_full_scale_v(channel);
    return density * std::norm(high_pass(f, card.input_high_pass_hz)) +
           square(input_scale) *
               (square(rms_of_dbfs(card.input_noise_dbfs)) / kNoiseBandHz + steps);
  }

  /// Noise in the band by Simpson's rule over the logarithm of frequency, A-weighted if asked.
  double noise_vrms(std::size_t channel, double slope, bool is_read, bool is_weighted) const {
    constexpr int kIntervals = 600;
    const double low = std::log(conditions_.band_low_hz);
    const double step = (std::log(conditions_.band_high_hz) - low) / kIntervals;
    double sum = 0;
    for (int k = 0; k <= kIntervals; ++k) {
      const double f = std::exp(low + k * step);
      const double weight = is_weighted ? a_weighting(f) : 1;
      const double share = k == 0 || k == kIntervals ? 1 : (k % 2 == 1 ? 4 : 2);
      sum += share * f * weight * weight * noise_density(channel, f, slope, is_read);
    }
    return std::sqrt(sum * step / 3);
  }

  double hum_vrms(std::size_t channel, bool is_read) const {
    double sum = 0;
    for (const SimulatedHumLine& line : receiver_.channels[channel].hum) {
      const double f = line.order * scenario_.mains_frequency_hz;
      const double heard = is_read ? std::abs(high_pass(f, input_corner())) : 1;
      if (is_in_band(f)) sum += std::pow(line.level_vrms * heard, 2);
    }
    return conditions_.is_powered ? std::sqrt(sum) : 0;
  }

  double input_corner() const { return scenario_.sound_card.input_high_pass_hz; }

  SpectrumTruth spectrum(std::size_t channel, std::vector<Complex> phasors, double slope,
                         bool is_read) const {
    const double f = conditions_.frequency_hz;
    for (std::size_t k = 0; k < phasors.size() && is_read; ++k) {
      phasors[k] *= high_pass(static_cast<double>(k) * f, input_corner());
    }
    SpectrumTruth truth = {};
    if (std::abs(phasors[1]) < kSilenceV) phasors[1] = 0;  // rounding of silence is no tone
    const double fundamental = std::abs(phasors[1]);
    truth.fundamental_vrms = fundamental / std::sqrt(2.0);
    truth.fundamental_phase_deg = std::arg(phasors[1]) * 360 / kTwoPi;
    double harmonics = 0;  // mean square
    for (std::size_t k = 2; k < phasors.size() && fundamental > 0; ++k) {
      const double order = static_cast<double>(k);
      if (!is_in_band(order * f)) continue;
      harmonics += std::norm(phasors[k]) / 2;
      const double phase = std::arg(phasors[k]) - order * std::arg(phasors[1]);
      truth.harmonics.push_back({static_cast<int>(k),
                                 db_of_amplitude_ratio(std::abs(phasors[k]) / fundamental),
                                 std::remainder(phase, kTwoPi) * 360 / kTwoPi});
    }
    truth.noise_vrms = noise_vrms(channel, slope, is_read, false);
    truth.noise_a_vrms = noise_vrms(channel, slope, is_read, true);
    truth.hum_vrms = hum_vrms(channel, is_read);
    const double rest = harmonics + std::pow(truth.noise_vrms, 2) + std::pow(truth.hum_vrms, 2);
    truth.level_vrms = std::sqrt(std::pow(truth.fundamental_vrms, 2) + rest);
    truth.watts = std::pow(truth.level_vrms, 2) / load_ohm(channel);
    const bool has_tone = fundamental > 0;
    truth.thd_percent =
        has_tone ? 100 * std::sqrt(harmonics) / truth.fundamental_vrms : kNotANumber;
    truth.thd_n_percent = has_tone ? 100 * std::sqrt(rest) / truth.level_vrms : kNotANumber;
    return truth;
  }

  const Scenario& scenario_;
  const Receiver& receiver_;
  const TruthConditions& conditions_;
  const BenchRange& range_;
};

}  // namespace

BenchTruth bench_truth(const Scenario& scenario, const TruthConditions& conditions) {
  const double highest_hz = conditions.sample_rate.hz / 2;
  if (!(conditions.frequency_hz > 0 && conditions.frequency_hz < highest_hz)) {
    throw std::invalid_argument(fmt::format("frequency_hz must be above 0 and below {}, is {}",
                                            highest_hz, conditions.frequency_hz));
  }
  return Bench(scenario, conditions).truth();
}

double response_truth_db(const Scenario& scenario, const TruthConditions& conditions,
                         std::size_t channel, double frequency_hz) {
  const auto level = [&](double f) {
    TruthConditions at = conditions;
    at.frequency_hz = f;
    return bench_truth(scenario, at).channels.at(channel).as_read.fundamental_vrms;
  };
  return db_of_amplitude_ratio(level(frequency_hz) / level(1000));
}

double crosstalk_truth_db(const Scenario& scenario, const TruthConditions& conditions,
                          std::size_t driven) {
  TruthConditions one = conditions;
  one.is_driven = {driven == kLeft, driven == kRight};
  const BenchTruth truth = bench_truth(scenario, one);
  return db_of_amplitude_ratio(truth.channels.at(1 - driven).as_read.fundamental_vrms /
                               truth.channels.at(driven).as_read.fundamental_vrms);
}

std::optional<BenchTruth> output_limit_truth(const Scenario& scenario,
                                             const TruthConditions& conditions, std::size_t channel,
                                             double thd_n_percent) {
  TruthConditions at = conditions;
  const auto is_above = [&](double drive_dbfs) {
    at.drive_dbfs = drive_dbfs;
    const BenchTruth truth = bench_truth(scenario, at);
    return truth.channels.at(channel).as_read.thd_n_percent > thd_n_percent;
  };
  // Noise puts small levels above the threshold too, so clipping is sought from above.
  constexpr double kStepDb = 1;
  double above = 30;
  if (!is_above(above)) return std::nullopt;
  while (is_above(above - kStepDb)) {
    above -= kStepDb;
    if (above < -80) return std::nullopt;
  }
  double below = above - kStepDb;
  while (above - below > 1e-6) {
    const double middle = (above + below) / 2;
    (is_above(middle) ? above : below) = middle;
  }
  at.drive_dbfs = below;
  return bench_truth(scenario, at);
}

}  // namespace sinewright
