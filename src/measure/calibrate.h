// Calibrating the bench against a multimeter: each step asks for the wiring, plays, reads, asks for
// what the meter shows, and yields what the bench profile keeps.
#pragma once

#include "bench/calibration.h"
#include "measure/session.h"

namespace sinewright {

/// The tone that meter and sound card both read. A few hundred hertz, for a cheap meter's AC range
/// is good there and falls off above 400 to 1000 Hz; and as far as can be from the multiples of
/// both 50 and 60 Hz, so that hum is told apart.
struct CalibrationTone {
  double frequency_hz = 325;
  double drive_dbfs = -3;
  double duration_s = 2;
};

enum class CalibratedAt { kDividerTop, kTerminals };

struct InputCalibrationSettings {
  CalibrationTone tone;
  MeterAccuracy meter;
  /// kTerminals: through the unit, the drive raised until the load takes `terminal_w`, 1 W at most.
  CalibratedAt at = CalibratedAt::kDividerTop;
  double terminal_w = 0.5;
};

/// Divider and sound card of the session's range, both channels, at once against the meter: a sine
/// of meter volts / level is full scale. A channel that the operator skips is none in the result.
/// At the divider's top the drive is lowered where the input would come above -2 dBFS.
/// Needs a chain. Throws Error (kRefused) when the operator declines, no channel was read, a
/// channel is dead, swapped or both carry the same, the input clips, the level moved while the
/// meter was read, or a reading disagrees with the nominal profile by more than a factor of 1.5
/// (the wrong range, the wrong unit of the meter); Error (kFailure) when `progress` is cancelled;
/// Error (kDevice) as Session does. The output is silent on return.
[[nodiscard]] ScaleCalibrations calibrate_input(Session& session,
                                                const InputCalibrationSettings& settings,
                                                Operator& person, Progress& progress);

/// Volts at the sound card's output for 0 dBFS played. As calibrate_input; the input, on the
/// divider's taps, tells that -40 dBFS comes back, in its own channel and not through an amplifier,
/// before anything is played louder.
[[nodiscard]] ScaleCalibrations calibrate_output(Session& session, const CalibrationTone& tone,
                                                 const MeterAccuracy& meter, Operator& person,
                                                 Progress& progress);

struct LoadCalibrationSettings {
  MeterAccuracy meter;
  double temperature_ppm_per_k = 100;
  double temperature_rise_k = 60;  ///< 0 when measured hot
};

/// Asks for the leads joined, then each channel's load at the terminals with the unit disconnected;
/// subtracts the leads (0 when their reading is skipped: the meter was zeroed with them).
/// `nominal_ohm` guards against the wrong range of the meter.
/// Throws Error (kRefused) as above.
[[nodiscard]] LoadCalibration calibrate_load(const LoadCalibrationSettings& settings,
                                             double nominal_ohm, Operator& person);

struct LoopbackSettings {
  std::vector<double> drives_dbfs = {-1, -6, -12, -20, -30, -40};
  /// Empty: some ten from 20 Hz to 0.45 of the sample rate. Above that they are left out.
  std::vector<double> frequencies_hz;
  double step_s = 0.5;
  double silent_s = 2;
  bool reads_terminated = true;  ///< also ask for the input alone, terminated
  /// Also ask for the divider in the loop, on the session's range: the output converter alone. Left
  /// out without a chain, and on a range below 12 dB.
  bool reads_through_divider = true;
  std::vector<double> divider_drives_dbfs = {-1, -6, -12, -20};
  std::vector<double> divider_frequencies_hz = {20, 100, 997, 5000, 10000};
  double divider_step_s = 1;  ///< the tone is low there, so the noise counts
};

/// Whether the session's range takes the input far enough down for the loop through the divider.
[[nodiscard]] bool has_far_range(const Session& session);

/// How long that takes, seconds of signal; for the operator beforehand.
[[nodiscard]] double loopback_duration_s(const LoopbackSettings& settings, SampleRate fs);

/// The sound card by itself, output wired to input: level, phase, harmonics and noise at each level
/// and frequency, noise and hum without a tone. Steps at which the input clips are left out. Then,
/// unless the operator declines, the input terminated, and the harmonics through the divider.
/// Needs a chain. It climbs from -40 over -20 dBFS to the highest level that does not clip.
/// Throws Error (kRefused) when nothing comes back; when at any of these levels the loop's gain is
/// off the ratio of both full scales by more than a factor of 1.5 (an amplifier or divider left
/// in), or 1 dB off that at -40 dBFS; when the first tone, repeated last, moved by more than 0.5 %;
/// or when the divider does not lower it by its ratio, within 3 dB.
[[nodiscard]] Loopback calibrate_loopback(Session& session, const LoopbackSettings& settings,
                                          Operator& person, Progress& progress);

}  // namespace sinewright
