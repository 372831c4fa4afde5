// Noise and hum of a unit without signal, and what the pattern usually points to.
#pragma once

#include <optional>

#include "dsp/noise_analysis.h"
#include "measure/noise_levels.h"
#include "measure/session.h"

namespace sinewright {

struct NoiseRunSettings {
  double duration_s = 5;
  std::optional<double> relative_to_w;     ///< SNR re this power
  std::optional<double> relative_to_vrms;  ///< or this level
  bool reads_off = true;      ///< ask for the reading with the amplifier off but connected
  bool reads_shorted = true;  ///< ask for the reading with the input shorted
};

/// Noise of the unit as connected, then, as told, with the input shorted and with the unit off;
/// each its own findings ("noise", condition "state": "as connected", "input shorted", "off"). Only
/// with the unit off does it explain the hum pattern (common practice, no source).
[[nodiscard]] std::vector<Findings> run_noise(Session& session, const NoiseRunSettings& settings,
                                              Progress& progress, Operator& person);

/// Appends readings, curve "hum_lines" and cautions of channels `first` and following.
void append_noise(Findings& findings, const NoiseAnalysis& analysis, const ReadingContext& context,
                  std::size_t first, SilentInput input = SilentInput::kOutput);

/// What a signal-to-noise ratio is relative to, at the terminals: watts in each channel's load, or
/// volts.
struct SnrReference {
  std::optional<double> watts;
  double vrms = 0;  ///< where no watts are given
};

/// Appends "snr" and "snr_a" readings. Watts bring in the load's uncertainty, half of it: V goes
/// with the root of R. Volts are exact: a figure that somebody names.
void append_noise_snr(Findings& findings, const NoiseAnalysis& analysis,
                      const ReadingContext& context, const SnrReference& reference);

}  // namespace sinewright
