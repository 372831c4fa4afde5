// What to know before trusting the figures of a tone.
#pragma once

#include <string>

#include "dsp/tone_analysis.h"
#include "findings/findings.h"
#include "measure/reading_context.h"

namespace sinewright {

/// Cautions of one channel. `block_s`: what a block lasts, and so how close two lines may stand.
void append_tone_cautions(Findings& findings, const ToneChannel& tone, const std::string& channel,
                          double block_s, const ReadingContext& context);

/// Once for all channels: a calibrated bench that does not know its sound card's own distortion.
void append_no_loopback(Findings& findings, const ReadingContext& context);

}  // namespace sinewright
