// The same question put to the full simulated bench, a few times.
#pragma once

namespace sinewright {

/// Calibrates and measures five simulated benches with parts drawn at random, and prints volts,
/// watts and balance beside the truth. One reading in 22 may miss it, and those of one bench share
/// one meter: true when no more than one bench has any that does.
[[nodiscard]] bool full_benches_hold();

}  // namespace sinewright
