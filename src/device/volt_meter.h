// The simulated technician's voltmeter: what has been at its tips for a tenth of a second.
#pragma once

#include <cstddef>
#include <vector>

namespace sinewright {

/// True RMS of the last tenth of a second, without DC, of everything that the sample rate can hold.
///
/// Weighted by a Hann window, as the needle's inertia would: with equal weights the part of a
/// period at the window's end turns a reading by 4e-4 at 1 kHz, by more than a good meter's error.
class VoltMeter {
 public:
  explicit VoltMeter(double rate_hz);

  void push(double volts) {
    ring_[at_] = volts;
    if (++at_ == ring_.size()) at_ = 0;
  }
  /// As if there had been 0 V all the time.
  void clear() { ring_.assign(ring_.size(), 0); }
  [[nodiscard]] double vrms() const;

 private:
  std::vector<double> ring_;
  std::size_t at_ = 0;  // the oldest
};

}  // namespace sinewright
