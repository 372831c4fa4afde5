// Absolute comparison for the tests: doctest::Approx is relative, our tolerances are not.
#pragma once

#include <cmath>

namespace sinewright {

/// True when `value` lies no farther than `tolerance` from `expected`. False for NaN.
inline bool within(double value, double expected, double tolerance) {
  return std::abs(value - expected) <= tolerance;
}

}  // namespace sinewright
