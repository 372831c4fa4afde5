#include "measure/measurement.h"

#include <array>

namespace sinewright {

std::span<const MeasurementKind> measurement_kinds() {
  static const std::array<MeasurementKind, 4> kinds = {{
      {"measure", "level, frequency, distortion and noise of whatever is there", false},
      {"response", "level, phase and THD+N against frequency", true},
      {"power", "THD+N and THD against output, up to the limits asked for", true},
      {"noise", "hum and noise without signal, and what the pattern points to", false},
  }};
  return kinds;
}

}  // namespace sinewright
