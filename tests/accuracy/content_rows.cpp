// Distortion and noise that were put there on purpose, and what is read of them.
#include <algorithm>
#include <cmath>

#include "accuracy/signals.h"
#include "accuracy/table.h"
#include "dsp/band.h"
#include "dsp/dither.h"
#include "dsp/fft.h"
#include "dsp/tone_analysis.h"

namespace sinewright {
namespace {

constexpr SampleRate kFs{48000};
constexpr std::size_t kFrames = 48000;

/// Mean square of `samples` within the band, by a plain DFT of all of them.
double in_band_power(std::span<const double> samples, const Band& band) {
  const RealFft fft(samples.size());
  std::vector<std::complex<double>> bins(samples.size() / 2 + 1);
  fft.transform(samples, bins);
  const auto n = static_cast<double>(samples.size());
  double power = 0;
  for (std::size_t m = 1; m + 1 < bins.size(); ++m) {
    if (band.contains(static_cast<double>(m) * kFs.hz / n)) power += 2 * std::norm(bins[m]) / n / n;
  }
  return power;
}

struct Content {
  std::vector<double> samples;
  double frequency_hz;
  double thd;
  double thd_n;
};

/// A tone with harmonics 2 to 5, the strongest at `strongest_dbc`, over noise 10 dB to 50 dB below
/// that.
Content known_content(double strongest_dbc, std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  Content content;
  content.frequency_hz = log_uniform(40, 3900, random);
  content.samples = exact_sine(content.frequency_hz, kFs, kFrames, 0.5, random_phase(random));
  double harmonic_power = 0;
  for (int order = 2; order <= 5; ++order) {
    const double dbc = strongest_dbc - (order == 2 ? 0 : 20 * uniform(random));
    const double amplitude = 0.5 * amplitude_ratio_of_db(dbc);
    add(content.samples,
        exact_sine(order * content.frequency_hz, kFs, kFrames, amplitude, random_phase(random)));
    harmonic_power += amplitude * amplitude / 2;
  }
  const double noise_db = strongest_dbc - 10 - 40 * uniform(random);
  const auto noise = white_noise(kFrames, rms_of_dbfs(noise_db) * 0.5, random);
  add(content.samples, noise);
  const double rest = harmonic_power + in_band_power(noise, Band{});
  const double tone = 0.125;
  content.thd = std::sqrt(harmonic_power / tone);
  content.thd_n = std::sqrt(rest / (tone + rest));
  return content;
}

/// Relative standard deviation of THD, from those of its harmonics.
double thd_deviation(const ToneChannel& channel) {
  double variance = 0;
  for (const HarmonicLevel& h : channel.harmonics) {
    variance += std::norm(h.ratio) * h.deviation * h.deviation;
  }
  return std::sqrt(variance) / (channel.thd.value() * channel.thd.value());
}

/// By how many dB `read` lies beyond two standard deviations from `truth`.
double excess_db(double read, double truth, double relative_deviation) {
  return std::abs(db_of_amplitude_ratio(read / truth)) -
         2 * 20 * std::log10(1 + relative_deviation);
}

/// The value that 95 % of `values` do not exceed: two standard deviations promise no more.
double quantile_95(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  return values[values.size() * 95 / 100 - 1];
}

AccuracyRow known_content_row() {
  std::mt19937_64 random(3);
  std::vector<double> excesses;
  for (double strongest_dbc = -20; strongest_dbc >= -120; strongest_dbc -= 10) {
    for (int trial = 0; trial < 10; ++trial) {
      const Content content = known_content(strongest_dbc, random);
      const auto channel =
          analyze_tone(content.samples, kFs, std::span(&content.frequency_hz, 1), {})
              .value()
              .channels.at(0);
      excesses.push_back(excess_db(channel.thd.value(), content.thd, thd_deviation(channel)));
      excesses.push_back(excess_db(channel.thd_n, content.thd_n, channel.thd_n_deviation));
    }
  }
  const double beyond_db = std::max(0.0, quantile_95(excesses));
  return {
      "THD, THD+N of known content",
      "harmonics of -20 to -120 dBc over noise, 1 s, 95 % of " + std::to_string(excesses.size()),
      "<= 0.02 dB + 2 sd", fixed(beyond_db, 4) + " dB + 2 sd", beyond_db <= 0.02};
}

// Over 1 s, the shortest that is promised: the dither's own power spreads by 0.04 dB there.
AccuracyRow dithered_row(int bits) {
  std::vector<double> errors_db;
  std::uint64_t seed = 4;
  for (const double frequency_hz : {20.0, 61.7, 997.0, 3150.3, 9999.9}) {
    for (int trial = 0; trial < 20; ++trial) {
      auto samples = exact_sine(frequency_hz, kFs, kFrames, amplitude_ratio_of_db(-1), 0.3);
      Quantiser quantiser(bits, Dither::kTriangular, seed++);
      quantiser.process(samples);
      const auto channel =
          analyze_tone(samples, kFs, std::span(&frequency_hz, 1), {}).value().channels.at(0);
      // Error power LSB^2 / 4, evenly over 0 to fs/2 (see dsp/dither.h).
      const Band band;
      const double share = (band.high_edge_hz() - band.low_edge_hz()) / (kFs.hz / 2);
      const double noise = quantiser.lsb() * quantiser.lsb() / 4 * share;
      const double tone = amplitude_ratio_of_db(-2) / 2;
      const double theory = std::sqrt(noise / (tone + noise));
      errors_db.push_back(std::abs(db_of_amplitude_ratio(channel.thd_n / theory)));
    }
  }
  const double error_db = quantile_95(errors_db);
  return {"THD+N of a dithered sine, " + std::to_string(bits) + " bits",
          "triangular dither, -1 dBFS, 1 s, 95 % of 100, against theory", "<= 0.1 dB",
          fixed(error_db, 3) + " dB", error_db <= 0.1};
}

}  // namespace

std::vector<AccuracyRow> content_rows() {
  return {known_content_row(), dithered_row(16), dithered_row(24)};
}

}  // namespace sinewright
