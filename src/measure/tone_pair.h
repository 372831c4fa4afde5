// Left against right: balance, phase, polarity, crosstalk.
#pragma once

#include <cstddef>

#include "dsp/tone_analysis.h"
#include "findings/findings.h"
#include "measure/reading_context.h"

namespace sinewright {

/// Of two channels, `first` and the next. `silent`: which of them, 0 or 1, carries crosstalk only;
/// -1 for none.
void append_pair(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                 std::size_t first, int silent);

}  // namespace sinewright
