#include "closed_form_stream.h"

#include <algorithm>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kReferenceAmplitude = 0.3548133892335755;  // -9 dBFS
constexpr std::size_t kTable = 1U << 17;

// White Gaussian noise to start anywhere in. Two places of it together do not repeat.
const std::vector<double>& gaussian_table() {
  static const std::vector<double> table = [] {
    std::vector<double> values(kTable);
    RandomDraws random(77);
    for (double& value : values) {
      value =
          std::sqrt(-2 * std::log(random.uniform(1e-300, 1))) * std::cos(random.uniform(0, kTwoPi));
    }
    return values;
  }();
  return table;
}

double at_display(double value, double resolution) {
  return std::round(value / resolution) * resolution;
}

}  // namespace

ClosedFormStream::ClosedFormStream(const BenchDraw& bench, std::uint64_t seed, bool has_drifted)
    : bench_(bench), has_drifted_(has_drifted), random_(seed) {}

// Of a sine, neighbours add up to twice the cosine of its step.
ClosedFormStream::ToneNow ClosedFormStream::find_tone(std::size_t channel) const {
  double products = 0;
  double squares = 0;
  for (std::size_t i = 2 + channel; i + 2 < heard_.size(); i += 2) {
    products += heard_[i] * (heard_[i - 2] + heard_[i + 2]);
    squares += heard_[i] * heard_[i];
  }
  if (squares < 1e-12) return {};
  ToneNow tone;
  const double cosine = std::clamp(products / (2 * squares), -0.9999999, 0.9999999);
  tone.sine = std::sqrt(1 - cosine * cosine);
  tone.frequency_hz = std::acos(cosine) / kTwoPi * kRate_hz;
  double power = squares;
  for (std::size_t i = 2 + channel; i + 2 < heard_.size(); i += 2) {
    power += std::pow((heard_[i - 2] - heard_[i + 2]) / (2 * tone.sine), 2);
  }
  tone.amplitude = std::sqrt(power / (static_cast<double>(heard_.size()) / 2 - 2));
  return tone;
}

ClosedFormStream::Answer ClosedFormStream::answer(std::size_t channel, const ToneNow& tone) const {
  const ChannelDraw& own = bench_.channels[channel];
  Answer now;
  if (wiring_ == Wiring::kTerminated) return {0, {}, own.input_noise_rms};
  const bool is_unit = wiring_ == Wiring::kUnit;
  const double ratio = wiring_ == Wiring::kLoopback ? 1 : own.ratio;
  const double drift = has_drifted_ ? 1 + own.drift : 1;
  const double flat = own.output_full_scale_vrms * (is_unit ? own.unit_gain : 1) / ratio /
                      own.input_full_scale_vrms * drift;
  const double output_noise = flat * own.output_noise_rms;
  now.noise_rms = std::hypot(own.input_noise_rms, output_noise);
  if (!(tone.amplitude > 0)) return now;

  const auto input = [&](double frequency_hz) {
    return amplitude_ratio_of_db(bench_.input_share * card_db(own, frequency_hz));
  };
  const auto output = [&](double frequency_hz) {
    return amplitude_ratio_of_db((1 - bench_.input_share) * card_db(own, frequency_hz));
  };
  const double f = tone.frequency_hz;
  now.gain = flat * output(f) * input(f) * (is_unit ? amplitude_ratio_of_db(unit_db(own, f)) : 1);
  const double read = now.gain * tone.amplitude;
  const auto law = [&](double amplitude) {
    return std::pow(amplitude / kReferenceAmplitude, bench_.level_exponent);
  };
  const double output_law = law(tone.amplitude);
  const double input_law = law(read);
  for (std::size_t order = 2; order <= kHighestOrder; ++order) {
    const double harmonic_hz = static_cast<double>(order) * f;
    const double heard = input(harmonic_hz) / input(f);
    const std::complex<double> played = own.of_output[order] * output_law * heard;
    now.harmonics[order] = own.of_input[order] * input_law + played;
    if (is_unit) {
      now.harmonics[order] += played * (own.turned[order] - 1.0) + own.of_unit[order] * heard;
    }
    now.harmonics[order] *= read;
  }
  // Noise as a voltage follows the tone's own in the two forms that it has.
  if (is_unit) now.noise_rms = std::hypot(now.noise_rms, own.unit_noise * read / std::sqrt(2.0));
  return now;
}

void ClosedFormStream::add_noise(std::span<double> samples, std::size_t channel, double rms) {
  const std::vector<double>& table = gaussian_table();
  const double scale = rms / std::sqrt(2.0);
  std::size_t a = random_.bits() % kTable;
  std::size_t b = random_.bits() % kTable;
  for (std::size_t i = channel; i < samples.size(); i += 2) {
    samples[i] += scale * (table[a] + table[b]);
    a = (a + 1) % kTable;
    b = (b + 1) % kTable;
  }
}

std::size_t ClosedFormStream::read(std::span<double> samples) {
  heard_.erase(heard_.begin(), heard_.end() - 4);
  heard_.resize(4 + samples.size(), 0.0);
  pull(std::span(heard_).subspan(4));
  for (std::size_t c = 0; c < 2; ++c) {
    tone_[c] = find_tone(c);
    const Answer now = answer(c, tone_[c]);
    const double quadrature = 0.5 / tone_[c].sine;
    const double unit = tone_[c].amplitude > 0 ? 1 / tone_[c].amplitude : 0;
    for (std::size_t i = 0; i < samples.size(); i += 2) {
      const double x = heard_[i + 2 + c];
      const double re = x * unit;
      const double im = (heard_[i + c] - heard_[i + 4 + c]) * quadrature * unit;
      double sum = now.gain * x;
      double power_re = re;
      double power_im = im;
      for (std::size_t order = 2; order <= kHighestOrder; ++order) {
        const double next_re = power_re * re - power_im * im;
        power_im = power_re * im + power_im * re;
        power_re = next_re;
        sum += now.harmonics[order].real() * power_re - now.harmonics[order].imag() * power_im;
      }
      samples[i + c] = sum;
    }
    add_noise(samples, c, now.noise_rms);
  }
  return samples.size() / 2;
}

double ClosedFormStream::meter_reading(const MeterPoint& point) const {
  const ChannelDraw& own = bench_.channels[point.channel];
  const bool is_volts = point.place == MeterPoint::Place::kDividerTop;
  const MeterAccuracy& meter = is_volts ? bench_.voltmeter : bench_.ohmmeter;
  if (is_volts) {
    const ToneNow& tone = tone_[point.channel];
    const double output_db = (1 - bench_.input_share) * card_db(own, tone.frequency_hz);
    const double volts =
        tone.amplitude * own.output_full_scale_vrms * amplitude_ratio_of_db(output_db);
    return at_display(volts + bench_.voltmeter_error * meter.half_width(volts), meter.resolution);
  }
  // The leads are read with the same error of scale; the digits' share stays at zero there.
  const double leads = bench_.lead_ohm * (1 + bench_.ohmmeter_error * meter.percent / 100);
  if (point.place == MeterPoint::Place::kLeads) return at_display(leads, meter.resolution);
  return at_display(leads + own.load_ohm + bench_.ohmmeter_error * meter.half_width(own.load_ohm),
                    meter.resolution);
}

}  // namespace sinewright
