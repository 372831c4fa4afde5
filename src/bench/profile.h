// The bench profile: the chain from sample value to watts, as one TOML file.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace sinewright {

/// One calibrated position of the divider.
struct Range {
  std::string name;  ///< "high", "low"
  double ratio;      ///< volts at the amplifier's terminals per volt at the sound card's input
};

struct Load {
  double resistance_ohm;
  double rated_w;  ///< continuous, on its heatsink
};

/// Everything that turns samples into volts and watts.
struct Profile {
  std::string name;
  std::string hash;            ///< of the file's bytes: names the profile in results
  bool is_calibrated = false;  ///< false: nominal values, no uncertainties
  std::string input_device;    ///< empty: not stated, the system's default
  std::string output_device;
  double sample_rate_hz = 48000;
  double input_full_scale_vrms;   ///< a sine of this at the sound card's input reads 0 dBFS
  double output_full_scale_vrms;  ///< a sine of 0 dBFS comes out of the sound card with this
  std::vector<Range> ranges;      ///< one or more, highest ratio first
  Load load;
  double power_limit_w;  ///< a run never drives the unit above this, each channel
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

  /// Volts at the amplifier's terminals of `rms` in samples (full-scale sine: 0.7071).
  [[nodiscard]] double volts_of_rms(double rms) const;
  /// Watts in the load, sine, continuous average: level^2 / R.
  [[nodiscard]] double watts_of_volts(double vrms) const;
  [[nodiscard]] double volts_of_watts(double watts) const;
  /// Level in dBFS at the converter of `vrms` at the terminals.
  [[nodiscard]] double dbfs_of_volts(double vrms) const;

 private:
  Profile profile_;
  Range range_;
};

}  // namespace sinewright
