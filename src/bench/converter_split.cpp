#include "bench/converter_split.h"

#include <complex>
#include <numbers>

namespace sinewright {
namespace {

/// A floor stands this many standard deviations of a harmonic up.
constexpr double kFloorDeviations = 5;
constexpr double kDeviationsInHighest = 2;
/// Nearer to each other than this the levels of the input do not tell the converters apart.
constexpr double kFarApart = 0.5;
constexpr double kNothing = 1e-15;

double amplitude_of_db(double db) { return std::pow(10, db / 20); }
double db_of_amplitude(double amplitude) { return 20 * std::log10(std::max(amplitude, kNothing)); }

/// A harmonic relative to its tone.
struct Phasor {
  std::complex<double> value;
  double deviation = 0;  ///< of either component
  double share = 0;      ///< amplitude that may be the other converter's
};

/// One not listed is anything from none to the floor.
Phasor phasor_of(const LoopbackTone::Channel& channel, int order) {
  const double floor = amplitude_of_db(channel.floor_dbc);
  const ResidualHarmonic* found = find_harmonic(channel, order);
  if (found == nullptr) return {{}, floor / std::sqrt(6.0), 0};
  return {std::polar(amplitude_of_db(found->level_dbc), found->phase_deg * std::numbers::pi / 180),
          floor / kFloorDeviations, 0};
}

/// Straight in dB and, the short way, in angle.
Phasor between(const Phasor& a, const Phasor& b, double fraction) {
  const double level_db =
      std::lerp(db_of_amplitude(std::abs(a.value)), db_of_amplitude(std::abs(b.value)), fraction);
  const double turn = std::remainder(std::arg(b.value) - std::arg(a.value), 2 * std::numbers::pi);
  return {std::polar(amplitude_of_db(level_db), std::arg(a.value) + fraction * turn),
          std::lerp(a.deviation, b.deviation, fraction), std::lerp(a.share, b.share, fraction)};
}

class Splitter {
 public:
  Splitter(const LoopbackTable& loop, const LoopbackTable& divided, std::size_t channel, int order)
      : loop_(loop), divided_(divided), channel_(channel), order_(order) {}

  [[nodiscard]] Phasor output_of(const LoopbackTone& divided) const {
    Phasor output = phasor_of(divided.channels[channel_], order_);
    const LoopbackTone* loop = loop_.find(divided.frequency_hz, divided.drive_dbfs);
    if (loop == nullptr) return output;
    const LoopbackTone::Channel& both = loop->channels[channel_];
    const double lower = amplitude_of_db(divided.channels[channel_].level_dbfs - both.level_dbfs);
    if (lower > kFarApart) return output;
    const double remains = std::pow(lower, order_ - 1);
    const std::complex<double> input =
        (phasor_of(both, order_).value - output.value) / (1 - remains);
    output.value -= remains * input;
    output.share = lower * std::abs(input);
    return output;
  }

  [[nodiscard]] Phasor output_at(double frequency_hz, double drive_dbfs) const {
    const auto [below, above, fraction] = divided_.around(frequency_hz);
    const Phasor low = output_at_drive(below->tones, drive_dbfs);
    return above == below ? low : between(low, output_at_drive(above->tones, drive_dbfs), fraction);
  }

  [[nodiscard]] Phasor input_of(const LoopbackTone& loop) const {
    Phasor input = phasor_of(loop.channels[channel_], order_);
    const auto [below, above, fraction] = divided_.around(loop.frequency_hz);
    const double lowest_dbfs =
        std::max(below->tones.front().drive_dbfs, above->tones.front().drive_dbfs);
    if (loop.drive_dbfs < lowest_dbfs - kSameLevelDb) return input;
    const Phasor output = output_at(loop.frequency_hz, loop.drive_dbfs);
    return {input.value - output.value, std::hypot(input.deviation, output.deviation),
            output.share};
  }

  [[nodiscard]] Phasor input_at(double frequency_hz, double input_dbfs) const {
    const auto [below, above, fraction] = loop_.around(frequency_hz);
    const Phasor low = input_at_level(below->tones, input_dbfs);
    return above == below ? low : between(low, input_at_level(above->tones, input_dbfs), fraction);
  }

  [[nodiscard]] double drive_at(const OperatingPoint& at) const {
    if (at.drive_dbfs) return *at.drive_dbfs;
    const std::vector<LoopbackTone>& tones = loop_.around(at.frequency_hz).below->tones;
    return at.input_dbfs - tones.back().channels[channel_].level_dbfs + tones.back().drive_dbfs;
  }

  [[nodiscard]] bool was_looked_for(double frequency_hz) const {
    const auto [below, above, fraction] = divided_.around(frequency_hz);
    for (const TonesAtFrequency* near : {below, above}) {
      for (const LoopbackTone& tone : near->tones) {
        if (find_harmonic(tone.channels[channel_], order_) != nullptr) return true;
      }
    }
    return false;
  }

  [[nodiscard]] double highest(const OperatingPoint& at, double drive_dbfs) const {
    double output = 0, input = 0;
    const auto outputs = divided_.around(at.frequency_hz);
    for (const TonesAtFrequency* near : {outputs.below, outputs.above}) {
      for (const LoopbackTone& tone : drives_around(near->tones, drive_dbfs)) {
        output = std::max(output, most(output_of(tone)));
      }
    }
    const auto inputs = loop_.around(at.frequency_hz);
    for (const TonesAtFrequency* near : {inputs.below, inputs.above}) {
      const Bracket levels =
          bracket(near->tones, channel_, {at.frequency_hz, at.input_dbfs, std::nullopt});
      for (const LoopbackTone& tone : levels.tones) input = std::max(input, most(input_of(tone)));
    }
    return output + input;
  }

 private:
  static double most(const Phasor& phasor) {
    return std::abs(phasor.value) + phasor.share + kDeviationsInHighest * phasor.deviation;
  }

  static std::span<const LoopbackTone> drives_around(std::span<const LoopbackTone> tones,
                                                     double drive_dbfs) {
    std::size_t first = 0, last = tones.size() - 1;
    for (std::size_t i = 0; i < tones.size(); ++i) {
      if (tones[i].drive_dbfs <= drive_dbfs + kSameLevelDb) first = i;
      if (tones[i].drive_dbfs >= drive_dbfs - kSameLevelDb) last = std::min(last, i);
    }
    return tones.subspan(std::min(first, last), std::max(first, last) - std::min(first, last) + 1);
  }

  template <typename X, typename Of>
  static Phasor between_tones(std::span<const LoopbackTone> tones, double at, X x, Of of) {
    const auto above =
        std::find_if(tones.begin(), tones.end(), [&](const auto& tone) { return x(tone) >= at; });
    if (above == tones.begin()) return of(tones.front());
    if (above == tones.end()) return of(tones.back());
    const LoopbackTone& below = *(above - 1);
    return between(of(below), of(*above), (at - x(below)) / (x(*above) - x(below)));
  }

  [[nodiscard]] Phasor output_at_drive(std::span<const LoopbackTone> tones,
                                       double drive_dbfs) const {
    return between_tones(
        tones, drive_dbfs, [](const LoopbackTone& tone) { return tone.drive_dbfs; },
        [&](const LoopbackTone& tone) { return output_of(tone); });
  }

  [[nodiscard]] Phasor input_at_level(std::span<const LoopbackTone> tones,
                                      double input_dbfs) const {
    return between_tones(
        tones, input_dbfs,
        [&](const LoopbackTone& tone) { return tone.channels[channel_].level_dbfs; },
        [&](const LoopbackTone& tone) { return input_of(tone); });
  }

  const LoopbackTable& loop_;
  const LoopbackTable& divided_;
  std::size_t channel_;
  int order_;
};

}  // namespace

std::optional<ConverterShares> split_converters(const LoopbackTable& loop,
                                                const LoopbackTable& divided, std::size_t channel,
                                                int order, const OperatingPoint& at,
                                                double loop_typical) {
  const Splitter splitter(loop, divided, channel, order);
  if (!splitter.was_looked_for(at.frequency_hz)) return std::nullopt;
  const double drive_dbfs = splitter.drive_at(at);
  const Phasor output = splitter.output_at(at.frequency_hz, drive_dbfs);
  const Phasor input = splitter.input_at(at.frequency_hz, at.input_dbfs);
  const double sum = std::norm(output.value) + std::norm(input.value);
  const double noise = 2 * (std::pow(output.deviation, 2) + std::pow(input.deviation, 2));
  const double loop_ms = loop_typical * loop_typical;
  // How far the sum departs from the loopback's own square, less what noise alone makes of that:
  // its variance is that of 2 (o - i) e, with e the noise through the divider.
  const double least = std::min(loop_ms, std::norm(output.value + input.value)) / 2;
  const double departs = std::max(sum - noise, least) - loop_ms;
  const double variance = sum * noise;
  if (!(sum > 0) || departs * departs <= variance) return std::nullopt;
  const double shrunk = departs * (1 - variance / (departs * departs));
  const double scale = std::sqrt((loop_ms + shrunk) / sum);
  return ConverterShares{{scale * std::abs(output.value), scale * std::abs(input.value)},
                         splitter.highest(at, drive_dbfs)};
}

}  // namespace sinewright
