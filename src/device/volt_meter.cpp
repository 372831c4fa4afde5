#include "device/volt_meter.h"

#include <algorithm>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {

VoltMeter::VoltMeter(double rate_hz) : ring_(static_cast<std::size_t>(std::lround(rate_hz / 10))) {}

double VoltMeter::vrms() const {
  double weights = 0;
  double mean = 0;
  double square = 0;
  const double step = kTwoPi / static_cast<double>(ring_.size());
  for (std::size_t n = 0; n < ring_.size(); ++n) {
    const double weight = 1 - std::cos(step * static_cast<double>(n));
    const double volts = ring_[(at_ + n) % ring_.size()];
    weights += weight;
    mean += weight * volts;
    square += weight * volts * volts;
  }
  mean /= weights;
  return std::sqrt(std::max(0.0, square / weights - mean * mean));
}

}  // namespace sinewright
