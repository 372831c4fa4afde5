// Loopback tones by frequency and level, and how to read between them. Internal to src/bench.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "bench/calibration.h"

namespace sinewright {

/// Where a tone stands: frequency, and the levels at both converters.
struct OperatingPoint {
  double frequency_hz = 0;
  double input_dbfs = 0;             ///< as read
  std::optional<double> drive_dbfs;  ///< as played; none when not known (a recording): the output
                                     ///< is then taken to have stood at the level of the input
};

/// Readings of one level differ by this much; a residual of third order by twice it.
inline constexpr double kSameLevelDb = 0.02;

/// Throws std::invalid_argument unless `frequency_hz` is above 0 and finite.
void require_frequency(const char* name, double frequency_hz);

/// All tones of one frequency.
struct TonesAtFrequency {
  double frequency_hz;
  std::vector<LoopbackTone> tones;  ///< ascending drive
};

class LoopbackTable {
 public:
  /// Two frequencies around one asked for; the outermost twice when it lies outside.
  struct Around {
    const TonesAtFrequency* below;
    const TonesAtFrequency* above;
    double fraction;  ///< of the way from below to above in log frequency, 0 to 1
  };

  /// Throws std::invalid_argument for a tone at 0 Hz or below.
  explicit LoopbackTable(std::vector<LoopbackTone> tones);
  [[nodiscard]] bool is_empty() const { return at_frequency_.empty(); }
  /// Must not be empty.
  [[nodiscard]] Around around(double frequency_hz) const;
  [[nodiscard]] bool covers(double frequency_hz, double margin_ratio) const;
  /// The tone of that frequency and drive, if there is one.
  [[nodiscard]] const LoopbackTone* find(double frequency_hz, double drive_dbfs) const;

 private:
  std::vector<TonesAtFrequency> at_frequency_;  ///< ascending
};

/// The tones at one frequency that lie around an operating point, from the one that lies at or
/// below it at both converters to the one that lies at or above it at both.
struct Bracket {
  std::span<const LoopbackTone> tones;
  bool is_closed;  ///< on both sides
};
[[nodiscard]] Bracket bracket(std::span<const LoopbackTone> tones, std::size_t channel,
                              const OperatingPoint& at);

[[nodiscard]] const ResidualHarmonic* find_harmonic(const LoopbackTone::Channel& channel,
                                                    int order);

/// y over x among `tones` (ascending x), straight between two, constant outside.
template <typename X, typename Y>
double interpolated(std::span<const LoopbackTone> tones, double at, X x, Y y) {
  const auto above =
      std::find_if(tones.begin(), tones.end(), [&](const auto& tone) { return x(tone) >= at; });
  if (above == tones.begin()) return y(tones.front());
  if (above == tones.end()) return y(tones.back());
  const LoopbackTone& below = *(above - 1);
  const double fraction = (at - x(below)) / (x(*above) - x(below));
  return std::lerp(y(below), y(*above), fraction);
}

}  // namespace sinewright
