// What all measurements share: progress, the operator, and the list of what there is.
#pragma once

#include <array>
#include <functional>
#include <optional>
#include <string>

#include "device/wiring.h"

namespace sinewright {

/// Told how a measurement gets on; asked whether it should go on.
class Progress {
 public:
  virtual ~Progress() = default;
  /// `fraction` 0 to 1; `what`: a few words, "997 Hz, 2.5 W".
  virtual void report(double fraction, const std::string& what) = 0;
  /// True once the operator has asked to stop: the output ramps down, finished points are kept.
  [[nodiscard]] virtual bool is_cancelled() const = 0;
};

/// The person at the bench.
class Operator {
 public:
  virtual ~Operator() = default;
  /// Shows `text` and asks for consent; false stops the run. Never answered by the program itself:
  /// scripts state their consent beforehand.
  [[nodiscard]] virtual bool confirms(const std::string& text) = 0;
  /// While the volume is being set: shows `text` (where the level stands, where it should go).
  /// Returns true once the operator says it is done.
  [[nodiscard]] virtual bool is_done_turning(const std::string& text) = 0;
  /// Asks for the bench to be wired so; false stops the run.
  [[nodiscard]] virtual bool wires(Wiring wiring, const std::string& text) = 0;
  /// What the meter reads at `point`, in volts RMS or ohm; none when the operator skips it. Until
  /// the answer is there `meanwhile` is called again and again, so that the stream is read and
  /// guarded.
  [[nodiscard]] virtual std::optional<double> reads_meter(
      const MeterPoint& point, const std::string& text, const std::function<void()>& meanwhile) = 0;
};

/// Code of the caution that a run carries when a device failed after some of its points were
/// finished: these are kept, and the caution's text is the error.
inline constexpr const char* kDeviceFailed = "device_failed";

/// Codes of the cautions of a run that ended early for the sake of unit, load or sound card: what
/// was finished is kept, and the caution's text says what happened.
inline constexpr std::array<const char*, 3> kProtected = {"over_limit", "channel_lost",
                                                          "input_clipped"};

/// One row for each measurement that can be made at the bench; whoever lists them takes them from
/// here.
struct MeasurementKind {
  const char* name;      ///< as the command: "response"
  const char* headline;  ///< one line for people
};

inline constexpr MeasurementKind kReadingKind{
    "measure", "Read level, distortion and noise of what is there, live"};
inline constexpr MeasurementKind kResponseKind{
    "response", "Step a tone through the band: response, phase, THD+N"};
inline constexpr MeasurementKind kPowerKind{
    "power", "Raise the level step by step: distortion over output, in watts"};
inline constexpr MeasurementKind kNoiseKind{
    "noise", "Read hum and noise without signal, and say what they point to"};

inline constexpr std::array<MeasurementKind, 4> kMeasurementKinds = {kReadingKind, kResponseKind,
                                                                     kPowerKind, kNoiseKind};

}  // namespace sinewright
