// The bench profile: the chain from sample value to watts, as one TOML file.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "bench/calibration.h"

namespace sinewright {

/// One position of the divider.
struct Range {
  std::string name;  ///< "high", "low"
  double ratio =
      1;  ///< nominal volts at the amplifier's terminals per volt at the sound card's input
  std::optional<ScaleCalibrations> calibration;  ///< divider and sound card together
  /// Bound of what source resistance, cable and input capacitance lose at 20 kHz; the loopback
  /// leaves the divider out. 0: taken as negligible.
  double loss_20khz_db = 0;
  [[nodiscard]] bool operator==(const Range&) const = default;
};

struct Load {
  double resistance_ohm = 8;  ///< nominal
  double rated_w = 0;         ///< each channel, for `rated_s`; continuous where that is none
  std::optional<double> rated_s;
  std::optional<double> continuous_w;  ///< what it bears for ever; with `rated_s` only
  std::optional<LoadCalibration> calibration;
  [[nodiscard]] bool operator==(const Load&) const = default;
};

/// Everything that turns samples into volts and watts.
struct Profile {
  std::string name;
  std::string hash;          ///< of the file's bytes: names the profile in results
  std::string input_device;  ///< empty: not stated, the system's default
  std::string output_device;
  double sample_rate_hz = 48000;
  double input_full_scale_vrms = 1;   ///< nominal: a sine of this at the input reads 0 dBFS
  double output_full_scale_vrms = 1;  ///< nominal: a sine of 0 dBFS comes out with this
  /// What gain of sound card and divider may have changed since calibration, either way (warm-up,
  /// temperature): rectangular. Common practice, no source.
  double stability_percent = 0.1;
  double clock_ppm = 100;  ///< bound of the sound card's clock; common practice, no source
  std::optional<ScaleCalibrations> output_calibration;
  std::optional<Loopback> loopback;
  std::vector<Range> ranges;  ///< one or more, highest ratio first
  Load load;
  double power_limit_w = 0;  ///< a run never drives the unit above this, each channel
  double dwell_s = 1;  ///< longest above 10 kHz at more than a quarter of the limit, then a rest
  [[nodiscard]] bool operator==(const Profile&) const = default;
};

/// Reads a profile. Throws Error (kInput), one line that names file, line, column, what is wrong
/// and what to do: missing or unknown key, wrong type or unit, value out of range, later version.
[[nodiscard]] Profile read_profile(const std::filesystem::path& path);

/// The same from text; `name` stands for the file in messages.
[[nodiscard]] Profile parse_profile(const std::string& text, const std::string& name);

/// A profile and the range in use: converts levels. RMS values throughout.
class Chain {
 public:
  /// Throws Error (kUsage) naming the ranges there are when `range` is none of them; an empty
  /// `range` takes the first.
  Chain(Profile profile, const std::string& range);

  [[nodiscard]] const Profile& profile() const { return profile_; }
  [[nodiscard]] const Range& range() const { return range_; }

  // `channel`: 0 left, 1 right; any other is converted by nominal values.

  /// Whether volts, and whether watts, of this channel can be given an uncertainty.
  [[nodiscard]] bool has_calibrated_volts(std::size_t channel) const;
  [[nodiscard]] bool has_calibrated_watts(std::size_t channel) const;

  /// A sine of this at the amplifier's terminals reads 0 dBFS.
  [[nodiscard]] double full_scale_vrms(std::size_t channel) const;
  /// Of the load, cold where it was measured cold.
  [[nodiscard]] double load_ohm(std::size_t channel) const;

  /// Volts at the amplifier's terminals of `rms` in samples (full-scale sine: 0.7071).
  [[nodiscard]] double volts_of_rms(double rms, std::size_t channel) const;
  /// Watts in the load, sine, continuous average: level^2 / R.
  [[nodiscard]] double watts_of_volts(double vrms, std::size_t channel) const;
  [[nodiscard]] double volts_of_watts(double watts, std::size_t channel) const;
  /// Level in dBFS at the converter of `vrms` at the terminals.
  [[nodiscard]] double dbfs_of_volts(double vrms, std::size_t channel) const;

 private:
  Profile profile_;
  Range range_;
};

}  // namespace sinewright
