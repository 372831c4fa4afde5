// Figures of two steady tones as findings.
#pragma once

#include <cstddef>

#include "dsp/two_tone.h"
#include "findings/findings.h"
#include "measure/reading_context.h"

namespace sinewright {

/// Appends readings and cautions of channels `first` and following. What the sound card adds to
/// the products is not known, so distortion has no uncertainty, and a note says so on a calibrated
/// bench.
void append_two_tones(Findings& findings, const TwoToneAnalysis& analysis,
                      const ReadingContext& context, std::size_t first);

}  // namespace sinewright
