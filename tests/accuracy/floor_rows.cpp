// How little the analysis itself adds: sines that are pure to the last digit of a double.
#include <algorithm>

#include "accuracy/signals.h"
#include "accuracy/table.h"
#include "dsp/tone_analysis.h"

namespace sinewright {
namespace {

struct Floors {
  double spectrum_db = -1000;
  double notch_db = -1000;

  void take(const ToneChannel& channel) {
    spectrum_db = std::max(spectrum_db, db_of_amplitude_ratio(channel.thd_n));
    notch_db = std::max(notch_db, db_of_amplitude_ratio(channel.notch_thd_n));
  }
};

ToneChannel only_channel(std::span<const double> samples, SampleRate fs, double guess_hz) {
  return analyze_tone(samples, fs, std::span(&guess_hz, 1), {}).value().channels.at(0);
}

Floors floors_of_pure_sines() {
  std::mt19937_64 random(1);
  Floors worst;
  for (const double rate : {44100.0, 48000.0, 96000.0, 192000.0}) {
    for (const double duration_s : {1.0, 1.3, 3.7, 10.0}) {
      for (int trial = 0; trial < 4; ++trial) {
        const double frequency_hz = log_uniform(20, 20000, random);
        const auto frames = static_cast<std::size_t>(duration_s * rate);
        worst.take(only_channel(exact_sine(frequency_hz, {rate}, frames, 0.9, random_phase(random)),
                                {rate}, frequency_hz));
      }
    }
  }
  return worst;
}

/// 0.01 dB/s of level and 10 ppb/s of frequency, over 10 s.
Floors floors_of_drifting_sines() {
  constexpr SampleRate kFs{48000};
  std::mt19937_64 random(2);
  Floors worst;
  for (int trial = 0; trial < 12; ++trial) {
    const double frequency_hz = log_uniform(20, 20000, random);
    const std::uint64_t step = phase_step({frequency_hz}, kFs);
    std::vector<double> samples(480000);
    for (std::size_t n = 0; n < samples.size(); ++n) {
      const double t = static_cast<double>(n) / kFs.hz;
      const double extra_rad = kTwoPi * 0.5 * 1e-8 * frequency_hz * t * t;
      samples[n] = 0.9 * amplitude_ratio_of_db(0.01 * t) *
                   (unit_phasor(n * step) * std::polar(1.0, extra_rad)).real();
    }
    worst.take(only_channel(samples, kFs, frequency_hz));
  }
  return worst;
}

}  // namespace

std::vector<AccuracyRow> floor_rows() {
  const Floors pure = floors_of_pure_sines();
  const Floors drifting = floors_of_drifting_sines();
  return {
      {"THD+N floor, spectrum path", "pure sine, 20 Hz - 20 kHz, 1 - 10 s, worst of 64",
       "<= -240 dB", fixed(pure.spectrum_db, 1) + " dB", pure.spectrum_db <= -240},
      {"THD+N floor, notch path", "the same sines", "<= -170 dB", fixed(pure.notch_db, 1) + " dB",
       pure.notch_db <= -170},
      {"THD+N floor, drifting tone", "0.01 dB/s and 10 ppb/s, 10 s in blocks of 1 s, worst of 12",
       "<= -170 dB", fixed(drifting.spectrum_db, 1) + " dB", drifting.spectrum_db <= -170},
  };
}

}  // namespace sinewright
