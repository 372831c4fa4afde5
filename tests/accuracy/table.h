// Rows of the accuracy table: what was aimed at, what came out.
#pragma once

#include <string>
#include <vector>

namespace sinewright {

struct AccuracyRow {
  std::string what;
  std::string under;     ///< conditions
  std::string aim;       ///< "<= -240 dB"
  std::string measured;  ///< "-246.1 dB"
  bool is_met;
};

/// "-246.10": `value` with `digits` after the point.
[[nodiscard]] std::string fixed(double value, int digits);

// Each measures some of the rows; all seeds are fixed.
[[nodiscard]] std::vector<AccuracyRow> floor_rows();      ///< spectrum, notch, drift
[[nodiscard]] std::vector<AccuracyRow> content_rows();    ///< known distortion, dithered sines
[[nodiscard]] std::vector<AccuracyRow> estimator_rows();  ///< frequency and level in noise
[[nodiscard]] std::vector<AccuracyRow> response_rows();   ///< a known filter; a stepped response
/// Batch speed: `program analyze` against `reference`, both paths of executables.
[[nodiscard]] std::vector<AccuracyRow> batch_rows(const std::string& program,
                                                  const std::string& reference);

}  // namespace sinewright
