// Noise and hum of a unit without signal, and what the pattern usually points to.
#pragma once

#include <optional>

#include "dsp/noise_analysis.h"
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
                  std::size_t first);

/// Appends "snr" and "snr_a" readings relative to `reference_vrms` at the terminals.
void append_noise_snr(Findings& findings, const NoiseAnalysis& analysis,
                      const ReadingContext& context, double reference_vrms);

}  // namespace sinewright
