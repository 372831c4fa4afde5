// What all measurements share: progress, the operator, and the list of what there is.
#pragma once

#include <span>
#include <string>

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
};

/// One row for each measurement: commands, page and tests list them from here.
struct MeasurementKind {
  std::string name;      ///< as the command and in findings: "response"
  std::string headline;  ///< one line for people
  bool plays;            ///< drives the unit
};

[[nodiscard]] std::span<const MeasurementKind> measurement_kinds();

}  // namespace sinewright
