// Power: distortion against output, up to the limits asked for.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "measure/session.h"

namespace sinewright {

enum class Driven { kBoth, kLeft, kRight };

struct PowerSettings {
  std::vector<double> frequencies_hz = {997};
  std::vector<double> thresholds_percent = {0.1, 1};  ///< of THD+N
  double from_w = 0.05;
  double limit_w = 0;          ///< no step is driven above this; 0: the profile's limit
  double step_db = 2;          ///< between levels
  double step_s = 0.3;         ///< analysed at each level
  double ceiling_percent = 3;  ///< stops above this distortion once the output exceeds 1 W
  Driven driven = Driven::kBoth;
  bool is_confirmed = false;  ///< the checklist was confirmed beforehand (scripts)
  bool has_guidance = true;   ///< helps to set the volume at -40 dB first
};

/// Runs the power measurement; one findings for each frequency. Needs a chain.
///
/// Before anything above 1 W the operator confirms the checklist; refusal is Error (kRefused). The
/// next level is predicted from the last before it is played; none is played above the limit.
/// Stops, keeping what it has: at input clipping, at the load's rating, at the distortion ceiling
/// (never at or below 1 W), when a channel vanishes, on cancellation. Full power above 10 kHz is
/// held for a second at the most, with pauses of silence between.
[[nodiscard]] std::vector<Findings> run_power(Session& session, const PowerSettings& settings,
                                              Progress& progress, Operator& person);

/// Curves "thd_n" and "thd" over watts (dBFS without a chain), "balance", and
/// "distortion_limited_output_<threshold>_percent" by interpolation; from tone findings of one
/// frequency in ascending level. Also for recordings.
void append_power(Findings& findings, std::span<const Findings> steps,
                  std::span<const double> thresholds_percent);

}  // namespace sinewright
