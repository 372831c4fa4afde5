// A sound card, its bench and a unit in closed form: whatever tone is played comes back with the
// gains, harmonics and noise of a BenchDraw. No filters, no oversampling: thousands of benches.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "device/wiring.h"
#include "measure/measurement.h"
#include "played_stream.h"
#include "random_bench.h"

namespace sinewright {

class ClosedFormStream final : public PlayedStream {
 public:
  /// `has_drifted`: since calibration.
  ClosedFormStream(const BenchDraw& bench, std::uint64_t seed, bool has_drifted);
  [[nodiscard]] std::string name() const override { return "random bench"; }
  [[nodiscard]] std::size_t read(std::span<double> samples) override;

  void set_wiring(Wiring wiring) { wiring_ = wiring; }
  /// What the meter shows, with its error and display.
  [[nodiscard]] double meter_reading(const MeterPoint& point) const;

 private:
  struct ToneNow {
    double frequency_hz = 0;
    double amplitude = 0;  ///< as played, 1: full scale; 0: silence
    double sine = 1;       ///< of the angle per sample
  };
  struct Answer {
    double gain = 0;
    Harmonics harmonics{};  ///< in samples
    double noise_rms = 0;
  };
  [[nodiscard]] ToneNow find_tone(std::size_t channel) const;
  [[nodiscard]] Answer answer(std::size_t channel, const ToneNow& tone) const;
  void add_noise(std::span<double> samples, std::size_t channel, double rms);

  const BenchDraw& bench_;
  bool has_drifted_;
  RandomDraws random_;
  Wiring wiring_ = Wiring::kUnit;
  std::vector<double> heard_ = std::vector<double>(4, 0.0);  ///< two frames of before, then now
  std::array<ToneNow, 2> tone_;
};

/// The technician: wires as asked and reads the meter.
class ClosedFormOperator final : public Operator {
 public:
  explicit ClosedFormOperator(ClosedFormStream& stream) : stream_(stream) {}
  [[nodiscard]] bool confirms(const std::string&) override { return true; }
  [[nodiscard]] bool is_done_turning(const std::string&) override { return true; }
  [[nodiscard]] bool wires(Wiring wiring, const std::string&) override {
    stream_.set_wiring(wiring);
    return true;
  }
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string&,
                                                  const std::function<void()>&) override {
    return stream_.meter_reading(point);
  }

 private:
  ClosedFormStream& stream_;
};

}  // namespace sinewright
