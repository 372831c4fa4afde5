// A scenario: everything that the simulated bench simulates, as one TOML file in calibration/.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "device/bench_parts.h"

namespace sinewright {

inline constexpr std::size_t kLeft = 0;
inline constexpr std::size_t kRight = 1;

/// A curve's deviation from a straight line: y = x + second x^2 + third x^3 + fifth x^5, with x and
/// y relative to a stated peak. At that peak the second harmonic is second/2 of the fundamental and
/// the third about third/4 + 5 fifth/16.
struct Polynomial {
  double second = 0;
  double third = 0;
  double fifth = 0;
};

/// The simulated converters: 24 bits, with dither. Polynomials relative to full scale.
struct SoundCard {
  double output_full_scale_vrms;  ///< a sine of 0 dBFS comes out with this
  double output_noise_dbfs;       ///< white, within 20 kHz, without that of the 24 bits
  Polynomial output_curve;
  double input_full_scale_vrms;  ///< a sine of this at the input reads 0 dBFS
  double input_noise_dbfs;       ///< as output_noise_dbfs
  Polynomial input_curve;
  double input_high_pass_hz;  ///< first order
  int loop_delay_frames;      ///< from playing to reading, without the filters' own
};

/// One position of the divider: volts at the terminals per volt at the sound card.
struct BenchRange {
  std::string name;
  double ratio;
};

/// The volume control: 0 dB is fully up.
struct VolumeControl {
  double start_db;
  /// Tracking error at each position, straight lines between; the ends hold beyond the table. Left
  /// gains half of it and right loses the other half.
  std::vector<double> position_db;
  std::vector<double> left_minus_right_db;
};

/// Rails that sag with the load: each is its idle volts less resistance times the mean current that
/// both channels together draw from it, smoothed twice with the time constant.
struct Supply {
  double positive_v;  ///< the output's limit without load
  double negative_v;  ///< the same, as a positive number
  double resistance_ohm;
  double time_constant_s;
  double knee_v;  ///< width of the bend into clipping
};

/// One line of the mains family, present at the terminals whatever plays.
struct SimulatedHumLine {
  int order;  ///< multiple of the mains frequency
  double level_vrms;
  double phase_deg;  ///< of a cosine, at the stream's start
};

/// What may differ between the channels of the receiver.
struct ReceiverChannel {
  double low_cut_hz;   ///< first order
  double high_cut_hz;  ///< first order
  Polynomial curve;    ///< relative to rated peak volts
  /// Crossover distortion from low bias, on volts x: x - crossover_v x / sqrt(x^2 + width^2).
  double crossover_v;
  double crossover_width_v;
  double output_noise_vrms;  ///< at the terminals, white, within 20 kHz, volume down
  std::vector<SimulatedHumLine> hum;
};

struct Receiver {
  std::string name;
  double rated_w;           ///< each channel, into load_ohm
  double gain_db;           ///< input to unloaded output, volume fully up
  double input_noise_vrms;  ///< referred to the input, white, within 20 kHz
  double output_impedance_ohm;
  /// From each channel into the other, before the cuts: this far down at high frequencies, falling
  /// 6 dB an octave below the corner.
  double crosstalk_db;
  double crosstalk_corner_hz;
  VolumeControl volume;
  Supply supply;
  std::array<ReceiverChannel, 2> channels;
};

struct Scenario {
  std::string name;
  std::uint64_t noise_seed;
  double load_ohm;
  double mains_frequency_hz;
  SoundCard sound_card;
  std::vector<BenchRange> ranges;  ///< one or more
  Receiver receiver;
  BenchParts parts;  ///< not in the file: every part is as marked until drawn otherwise

  [[nodiscard]] double rated_peak_v() const;
  /// Throws Error (kUsage) naming the ranges there are.
  [[nodiscard]] const BenchRange& range(std::string_view name) const;
  /// Gain of the volume control for one channel, 0 dB: 1.
  [[nodiscard]] double volume_gain(double position_db, std::size_t channel) const;
};

/// Reads a scenario. Throws Error (kInput), one line with file, line and column: not there, not
/// TOML, a key that is missing or unknown, a wrong type, a value out of its range.
[[nodiscard]] Scenario read_scenario(const std::filesystem::path& path);

/// The same from text; `name` stands for the file in messages.
[[nodiscard]] Scenario parse_scenario(std::string_view text, const std::string& name);

}  // namespace sinewright
