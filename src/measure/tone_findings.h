// Figures of a steady tone as findings.
#pragma once

#include <cstddef>

#include "dsp/tone_analysis.h"
#include "findings/findings.h"
#include "measure/append.h"
#include "measure/reading_context.h"

namespace sinewright {

/// Appends readings, harmonics and cautions of channels `first` and following to `findings`.
/// Positions of disturbances are given in seconds from absolute frame 0.
void append_tone(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                 std::size_t first);

}  // namespace sinewright
