// What the tests of the simulated bench share: quiet scenarios, tones on exact bins, a plain DFT.
#pragma once

#include <algorithm>
#include <cmath>
#include <complex>
#include <memory>
#include <string>
#include <vector>

#include "device/simulated_bench.h"

namespace sinewright {

inline Scenario larkfield(const std::string& state) {
  return read_scenario(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/larkfield-lr62-" + state +
                       ".toml");
}

/// Without hum and noise; the 24 bits and their dither stay.
inline Scenario quiet(Scenario scenario) {
  scenario.receiver.input_noise_vrms = 1e-12;
  scenario.sound_card.output_noise_dbfs = -300;
  scenario.sound_card.input_noise_dbfs = -300;
  for (ReceiverChannel& channel : scenario.receiver.channels) {
    channel.output_noise_vrms = 0;
    channel.hum.clear();
  }
  return scenario;
}

/// A cosine of whole hertz at a rate of whole hertz: exact phase by integers.
class ExactTone final : public Signal {
 public:
  ExactTone(std::int64_t frequency_hz, double rate_hz, double drive_dbfs)
      : frequency_(frequency_hz),
        rate_(static_cast<std::int64_t>(rate_hz)),
        peak_(amplitude_ratio_of_db(drive_dbfs)) {}
  void fill(std::span<double> frames, int channels) override {
    for (std::size_t n = 0; n < frames.size(); n += static_cast<std::size_t>(channels)) {
      const auto place = static_cast<double>(frequency_ * frame_ % rate_);
      const double sample = peak_ * std::cos(kTwoPi * place / static_cast<double>(rate_));
      for (std::size_t c = 0; c < static_cast<std::size_t>(channels); ++c) {
        frames[n + c] = (plays_ >> c & 1U) != 0 ? sample : 0;
      }
      ++frame_;
    }
  }
  unsigned plays_ = 3;  // bit n: channel n

 private:
  std::int64_t frequency_;
  std::int64_t rate_;
  double peak_;
  std::int64_t frame_ = 0;
};

/// A tenth of a second, so bins lie 10 Hz apart.
class BenchCapture {
 public:
  explicit BenchCapture(SimulatedBench& bench)
      : frames_(static_cast<std::size_t>(bench.sample_rate().hz / 10)), samples_(2 * frames_) {
    (void)!bench.read(samples_);
    for (std::size_t n = 0; n < frames_; ++n) {
      turn_.push_back(
          std::polar(1.0, -kTwoPi * static_cast<double>(n) / static_cast<double>(frames_)));
    }
  }

  /// Peak phasor of a cosine at `frequency_hz`, a multiple of 10 Hz.
  [[nodiscard]] std::complex<double> phasor(std::int64_t frequency_hz, std::size_t channel) const {
    const auto bin = static_cast<std::size_t>(frequency_hz / 10);
    double re = 0;
    double im = 0;
    std::size_t at = 0;
    for (std::size_t n = 0; n < frames_; ++n) {
      re += samples_[2 * n + channel] * turn_[at].real();
      im += samples_[2 * n + channel] * turn_[at].imag();
      at += bin;
      if (at >= frames_) at -= frames_;
    }
    return std::complex<double>(re, im) * 2.0 / static_cast<double>(frames_);
  }

 private:
  std::size_t frames_;
  std::vector<double> samples_;  // interleaved
  std::vector<std::complex<double>> turn_;
};

/// Reads `tenths` tenths of a second and forgets them.
inline void settle(SimulatedBench& bench, int tenths) {
  std::vector<double> samples(2 * static_cast<std::size_t>(bench.sample_rate().hz / 10));
  for (int k = 0; k < tenths; ++k) (void)!bench.read(samples);
}

}  // namespace sinewright
