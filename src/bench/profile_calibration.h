// The calibrated parts of a bench profile, read from their tables; layout as to_toml() writes it.
#pragma once

#include "bench/calibration.h"
#include "bench/profile_section.h"

namespace sinewright {

// Each throws Error (kInput) as Section does, and for what makes no sense: a full scale that is not
// what meter and level say, or that has nothing to do with the nominal one.

/// `nominal_full_scale_vrms`: what the parts say, at the same point.
[[nodiscard]] ScaleCalibrations read_scale_calibrations(const Section& section,
                                                        double nominal_full_scale_vrms);
[[nodiscard]] LoadCalibration read_load_calibration(const Section& section,
                                                    double nominal_resistance_ohm);
[[nodiscard]] Loopback read_loopback(const Section& section);

}  // namespace sinewright
