// The measuring band.
#pragma once

#include <limits>

namespace sinewright {

/// Frequencies that count. Edges are inclusive, with 0.3 % margin, because the "20 Hz" of ISO 266
/// is 19.953 Hz and a 20th harmonic may sit on the upper edge.
struct Band {
  double low_hz = 20;
  double high_hz = 20000;

  [[nodiscard]] static Band unlimited() { return {0, std::numeric_limits<double>::infinity()}; }

  [[nodiscard]] double low_edge_hz() const { return low_hz * 0.997; }
  [[nodiscard]] double high_edge_hz() const { return high_hz * 1.003; }
  [[nodiscard]] bool contains(double frequency_hz) const {
    return frequency_hz >= low_edge_hz() && frequency_hz <= high_edge_hz();
  }
};

}  // namespace sinewright
