// What the steps of a calibration share: faint beginnings, the test for swapped and dead channels,
// steady levels. Internal to src/measure.
#pragma once

#include <array>
#include <limits>
#include <optional>
#include <string>

#include "measure/calibrate.h"

namespace sinewright {

/// For questions and messages: "left", "right".
[[nodiscard]] const char* side_name(std::size_t channel);

/// Date of today, UTC: "2026-11-25".
[[nodiscard]] std::string calibration_date();

/// Throws Error (kRefused): "calibrate STEP: TEXT; nothing was written".
[[noreturn]] void refuse_step(const char* step, const std::string& text);

/// Throws Error (kFailure) once the operator has asked to stop.
void check_cancelled(const Progress& progress, const char* step);

/// While it lives a tone may sound; when it goes the output ramps to silence, however it goes, and
/// whatever is played next is limited as for a unit again.
class SoundingTone {
 public:
  explicit SoundingTone(Session& session) : session_(session) {}
  ~SoundingTone();
  SoundingTone(const SoundingTone&) = delete;
  SoundingTone& operator=(const SoundingTone&) = delete;

 private:
  Session& session_;
};

/// One look at the tone that plays.
struct SteadyLevel {
  std::array<double, 2> fundamental_rms{};  ///< 0 where there is no tone
  std::array<double, 2> level_rms{};        ///< distortion and noise with it, in band
  std::array<double, 2> deviation{};        ///< relative, of the fundamental, type A
  bool clips = false;                       ///< the input has reached full scale
};

/// Throws Error (kDevice) when frames are lost again and again.
[[nodiscard]] SteadyLevel read_level(Session& session, double frequency_hz, double duration_s);

/// Both looks as one. The deviation is theirs and half their difference, which bounds what the
/// meter saw between them: rectangular.
[[nodiscard]] SteadyLevel mean_of(const SteadyLevel& first, const SteadyLevel& second);

/// Gain from played to read of each channel in dB, found with each output playing alone at
/// `drive_dbfs`. Throws Error (kRefused) when a channel does not come back, when both are swapped,
/// or when both inputs carry what one output plays.
[[nodiscard]] std::array<double, 2> check_channels(Session& session, const char* step,
                                                   double frequency_hz, double drive_dbfs);

/// Gain from played to read in dB that the profile lets expect without a unit: output, divider,
/// input.
[[nodiscard]] double expected_gain_db(const Chain& chain, std::size_t channel);

/// Volts that a sine of 0 dBFS leaves the output with: calibrated where it is, nominal elsewhere.
[[nodiscard]] double output_full_scale_vrms(const Profile& profile, std::size_t channel);

/// Throws Error (kRefused) unless `found` lies within a factor of 1.5 of `nominal`. `what` and
/// `causes` for the text: "the input's full scale on range high", "is the range switch ...".
void check_against_nominal(const char* step, const std::string& what, double found, double nominal,
                           const std::string& unit, const std::string& causes);

/// Raises the unit from a whisper until the louder channel's load takes `watts`, asking for the
/// volume to be set on the way, and leaves the tone playing; returns its level in dBFS. Each step
/// is predicted from the last, and the session guards.
/// Throws Error (kRefused) when the operator stops, or the level does not follow.
[[nodiscard]] double drive_unit_to(Session& session, const char* step, const CalibrationTone& tone,
                                   double watts, Operator& person, Progress& progress);

}  // namespace sinewright
