// What the little benches of the tests share: stereo at 48 kHz, and a signal that is pulled.
#pragma once

#include <algorithm>
#include <cstdint>
#include <memory>
#include <span>
#include <utility>

#include "device/stream.h"

namespace sinewright {

class PlayedStream : public Stream {
 public:
  static constexpr double kRate_hz = 48000;

  [[nodiscard]] SampleRate sample_rate() const override { return {kRate_hz}; }
  [[nodiscard]] int channels() const override { return 2; }
  [[nodiscard]] int output_channels() const override { return 2; }
  [[nodiscard]] std::span<const std::int64_t> gaps() const override { return {}; }
  void play(std::shared_ptr<Signal> signal) override { signal_ = std::move(signal); }
  [[nodiscard]] std::int64_t frames_played() const override { return played_; }

 protected:
  /// The next frames of the signal, interleaved; silence without one.
  void pull(std::span<double> frames) {
    if (signal_) {
      signal_->fill(frames, 2);
    } else {
      std::fill(frames.begin(), frames.end(), 0.0);
    }
    played_ += static_cast<std::int64_t>(frames.size() / 2);
  }
  [[nodiscard]] bool has_signal() const { return signal_ != nullptr; }

 private:
  std::shared_ptr<Signal> signal_;
  std::int64_t played_ = 0;
};

}  // namespace sinewright
