// What was found when a bench was calibrated: as it stands in the bench profile.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

namespace sinewright {

/// A meter's accuracy at the range in use, as its data sheet gives it: +-(percent of reading +
/// digits of the last place).
struct MeterAccuracy {
  double percent = 0;
  double digits = 0;
  double resolution = 0;  ///< of the display, in the unit read

  /// The bound at a reading, in the unit read.
  [[nodiscard]] double half_width(double reading) const {
    return percent / 100 * reading + digits * resolution;
  }
  [[nodiscard]] bool operator==(const MeterAccuracy&) const = default;
};

/// One channel's scale against the meter.
struct ScaleCalibration {
  double full_scale_vrms = 0;  ///< a sine of this, at the point calibrated, is 0 dBFS
  double meter_v = 0;          ///< what the meter read
  double level_dbfs = 0;       ///< what the converter read (input) or played (output) at that time
  double repeatability = 0;  ///< relative standard deviation of level_dbfs as an amplitude, type A
  [[nodiscard]] bool operator==(const ScaleCalibration&) const = default;
};

/// Both channels of an input range or of the output. A channel not calibrated is none.
struct ScaleCalibrations {
  std::string date;                      ///< "2026-11-25"
  std::string device;                    ///< Stream::device() at that time
  std::optional<double> sample_rate_hz;  ///< at that time; none in profiles that do not state it
  double frequency_hz = 0;
  double drive_dbfs = 0;  ///< of the tone played
  /// Read at a unit's terminals: the drive then tells nothing of the sound card's own loop.
  bool is_through_unit = false;
  MeterAccuracy meter;
  std::array<std::optional<ScaleCalibration>, 2> channels;
  [[nodiscard]] bool operator==(const ScaleCalibrations&) const = default;
};

struct MergedCalibrations {
  ScaleCalibrations calibrations;
  std::optional<std::size_t> lost_channel;  ///< calibrated before, and in the result no more
};

/// `found`, with the channel that it lacks taken from `before` where both are of one day, device,
/// sample rate, tone, meter and way of reading: one table can then state both.
[[nodiscard]] MergedCalibrations merged(const std::optional<ScaleCalibrations>& before,
                                        ScaleCalibrations found);

/// The dummy load, in ohms measured.
struct LoadCalibration {
  std::string date;
  MeterAccuracy meter;                     ///< resolution in ohm
  std::array<double, 2> resistance_ohm{};  ///< of each channel, the leads subtracted
  double lead_ohm = 0;                     ///< what the meter's leads, joined, read
  double temperature_ppm_per_k = 0;        ///< of the load's resistance
  double temperature_rise_k = 0;           ///< from measured to in use; 0 when it was measured hot
  [[nodiscard]] bool operator==(const LoadCalibration&) const = default;
};

/// One harmonic that the sound card itself makes.
struct ResidualHarmonic {
  int order = 2;
  double level_dbc = 0;  ///< relative to the tone
  double phase_deg = 0;  ///< of the harmonic less order times that of the tone, cosine convention
  [[nodiscard]] bool operator==(const ResidualHarmonic&) const = default;
};

/// The sound card measured by itself, output wired to input, at one frequency and level.
struct LoopbackTone {
  struct Channel {
    double level_dbfs = 0;                    ///< of the tone, as read
    double noise_dbfs = 0;                    ///< in the loopback's band, harmonics taken out
    std::vector<ResidualHarmonic> harmonics;  ///< those that stand above the noise; ascending order
    double floor_dbc = -200;                  ///< a harmonic that is not listed lies below this
    [[nodiscard]] bool operator==(const Channel&) const = default;
  };
  double frequency_hz = 0;
  double drive_dbfs = 0;
  double phase_deg = 0;  ///< right minus left
  std::array<Channel, 2> channels;
  [[nodiscard]] bool operator==(const LoopbackTone&) const = default;
};

/// One mains line in the loopback without a tone.
struct LoopbackHum {
  int order = 1;
  std::array<double, 2> level_dbfs{};
  [[nodiscard]] bool operator==(const LoopbackHum&) const = default;
};

struct Loopback {
  std::string date;
  std::string device;
  std::optional<double> sample_rate_hz;  ///< as of ScaleCalibrations
  double band_low_hz = 20;
  double band_high_hz = 20000;
  std::vector<LoopbackTone> tones;  ///< any order
  /// Output to the divider's top, on a high range: (nearly) the output converter alone. Here each
  /// low order is listed, above the floor or not; the floor stands five standard deviations up. May
  /// be empty.
  std::vector<LoopbackTone> output_tones;
  /// Output wired, nothing played. Broadband: hum and other lines are taken out, `hum` has them.
  std::array<double, 2> silent_noise_dbfs{-200, -200};
  /// Input terminated with a low resistance, output unplugged: the input converter alone.
  /// Broadband, too.
  std::optional<std::array<double, 2>> input_noise_dbfs;
  std::vector<LoopbackHum> hum;
  [[nodiscard]] bool operator==(const Loopback&) const = default;
};

}  // namespace sinewright
