// The level over frequency that a stepped tone yields, and what is read off it.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "bench/uncertainty.h"
#include "findings/findings.h"
#include "measure/reading_context.h"

namespace sinewright {

/// One step, dB relative to 1 kHz.
struct ResponsePoint {
  double frequency_hz = 0;
  double level_db = 0;
  std::optional<Uncertainty> sure;  ///< in dB; none where the sound card's response is not known
};

/// Fundamentals of `steps`, ascending, relative to 1 kHz by interpolation in log frequency between
/// the steps around it; the sound card's own response taken out where it is known.
[[nodiscard]] std::vector<ResponsePoint> response_points(std::span<const Findings> steps,
                                                         const std::string& channel,
                                                         const ReadingContext& context);

struct Corner {
  double frequency_hz = 0;
  std::optional<Uncertainty> sure;  ///< in Hz
};

/// Where the response first falls below -`down_db` going outwards from 1 kHz, in `direction` (-1 or
/// 1): a straight line between two steps, log frequency. Its bend, as the step further in shows it,
/// is part of the uncertainty.
[[nodiscard]] std::optional<Corner> find_corner(std::span<const ResponsePoint> points,
                                                double down_db, int direction);

/// Half the spread of two independent levels.
[[nodiscard]] std::optional<Uncertainty> half_spread(const ResponsePoint& highest,
                                                     const ResponsePoint& lowest);

}  // namespace sinewright
