// Whether a profile's calibrations belong to the stream that is read.
#pragma once

#include <vector>

#include "bench/profile.h"
#include "device/stream.h"
#include "findings/findings.h"

namespace sinewright {

/// A caution "foreign_profile" for the range in use, the output and the loopback, each where it was
/// calibrated with another device, or at another sample rate, than `stream` has.
[[nodiscard]] std::vector<Caution> foreign_cautions(const Chain& chain, const Stream& stream);

}  // namespace sinewright
