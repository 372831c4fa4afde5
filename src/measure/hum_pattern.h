// What a hum pattern usually points to.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "dsp/noise_analysis.h"

namespace sinewright {

/// The readings that tell the unit from the bench.
struct NoisePattern {
  NoiseAnalysis connected;
  std::optional<NoiseAnalysis> shorted;  ///< unit on, input shorted
  std::optional<NoiseAnalysis> off;      ///< unit off, still connected
  /// Hum below this, RMS in samples of each channel, is that of a sound unit; empty: not known.
  std::vector<double> sound_rms = {};
};

/// Plain sentences, one for each thing seen. Without the reading with the unit off nothing is
/// explained but that it is missing: the hum might be the bench's own.
/// All of it is common practice, no source.
[[nodiscard]] std::vector<std::string> explain_hum(const NoisePattern& pattern,
                                                   const std::vector<std::string>& channels);

}  // namespace sinewright
