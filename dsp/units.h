// Physical units as types, and the decibel scale. Used by everything.
#pragma once

#include <cmath>
#include <numbers>

namespace sinewright {

struct Hertz {
  double value;
};

struct SampleRate {
  double hz;
};

inline constexpr double kTwoPi = 2 * std::numbers::pi;

/// RMS of a full-scale (peak 1) sine: the reference of dBFS (AES17).
inline constexpr double kFullScaleRms = std::numbers::sqrt2 / 2;

/// 20 log10(ratio); -infinity for 0.
[[nodiscard]] inline double db_of_amplitude_ratio(double ratio) { return 20 * std::log10(ratio); }

/// 10 log10(ratio); -infinity for 0.
[[nodiscard]] inline double db_of_power_ratio(double ratio) { return 10 * std::log10(ratio); }

/// The amplitude ratio of `db` decibels.
[[nodiscard]] inline double amplitude_ratio_of_db(double db) { return std::pow(10.0, db / 20); }

/// Level in dBFS of an RMS value in samples: 0 dBFS is a full-scale sine (AES17).
[[nodiscard]] inline double dbfs_of_rms(double rms) {
  return db_of_amplitude_ratio(rms / kFullScaleRms);
}

/// RMS in samples of a level in dBFS.
[[nodiscard]] inline double rms_of_dbfs(double dbfs) {
  return kFullScaleRms * amplitude_ratio_of_db(dbfs);
}

}  // namespace sinewright
