// One climb in power at one frequency: what is played next, and when to stop.
#pragma once

#include <string>
#include <vector>

#include "measure/power.h"

namespace sinewright {

/// Asked before anything above 1 W; the program never ticks it off by itself.
inline constexpr const char* kPowerChecklist =
    "Before more than 1 W, confirm by yourself, with a meter where it takes one:\n"
    "  - DC offset at both outputs is small (the sound card cannot see it)\n"
    "  - the dummy load is connected to both channels, rated for the power, and can get hot\n"
    "  - no loudspeaker is connected\n"
    "  - the outputs are not bridged, and both negative terminals are at chassis potential\n"
    "  - the divider stands on the range named above";

struct PowerLimits {
  double power_w = 0;          ///< never driven above
  double ceiling_percent = 3;  ///< THD+N that ends the climb, above 1 W only
};

/// Drives, measures and keeps the steps. Cautions say why it stopped.
class PowerRun {
 public:
  PowerRun(Session& session, const PowerSettings& settings, const PowerLimits& limits,
           Progress& progress);

  /// Measures the gain at -40 dBFS. Throws Error (kRefused) when nothing comes back, or more than
  /// the limit.
  void begin(double frequency_hz);
  /// Helps to set the volume so that the limit is reached between -20 and -3 dBFS of drive.
  void guide_volume(Operator& person);
  /// Steps upwards until a limit or all thresholds are passed.
  void climb();
  /// Halves the step around each threshold until it is 0.1 dB.
  void search();

  [[nodiscard]] const std::vector<Findings>& steps() const { return steps_; }
  /// Whether it stopped because the gain jumped or a channel vanished.
  [[nodiscard]] bool is_unsafe() const;
  [[nodiscard]] const std::vector<Caution>& cautions() const { return cautions_; }
  [[nodiscard]] double ended_s(double otherwise) const {
    return steps_.empty() ? otherwise : last_ended_s_;
  }
  /// Peak volts of the highest step, and balance over the steps.
  void append_extremes(Findings& findings) const;

 private:
  struct Outcome {
    bool is_kept = false;
    bool stops = false;
  };
  Outcome step(double drive_dbfs);
  [[nodiscard]] double highest_watts(const Findings& step) const;
  /// Watts of the loudest channel at `drive_dbfs`, from the last step.
  [[nodiscard]] double predicted_watts(double drive_dbfs) const;
  [[nodiscard]] double drive_for(double watts) const;
  [[nodiscard]] bool is_past_all_thresholds(const Findings& step) const;
  [[nodiscard]] std::vector<std::string> driven_channels() const;
  void stop_with(const std::string& code, const std::string& text);
  [[nodiscard]] bool play_when_rested(double drive_dbfs);
  [[nodiscard]] double step_duration_s(double watts) const;
  void refuse_above_limit(double watts, const char* when);

  Session& session_;
  const PowerSettings& settings_;
  PowerLimits limits_;
  Progress& progress_;
  double frequency_hz_ = 0;
  double last_drive_dbfs_ = 0;
  double last_watts_ = 0;
  double last_ended_s_ = 0;
  std::vector<Findings> steps_;      // ascending drive
  std::vector<double> drives_dbfs_;  // of the steps
  std::vector<Caution> cautions_;
};

}  // namespace sinewright
