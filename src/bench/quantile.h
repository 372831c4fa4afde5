// Quantiles for coverage factors: of the normal distribution, of Student's t, and of a sum of
// inputs with different distributions.
#pragma once

#include <span>

namespace sinewright {

/// The distribution that is assigned to an input. kRectangular: within bounds, nothing else known
/// (JCGM 100, 4.3.7). kArcsine: a sine of unknown phase.
enum class Shape { kNormal, kRectangular, kTriangular, kArcsine };

/// All `coverage` are probabilities within +-quantile, above 0 and below 1; std::invalid_argument
/// otherwise.

/// Two-sided quantile of the standard normal distribution: 2 for 0.9545.
[[nodiscard]] double normal_quantile(double coverage);

/// The probability of a standard normal variable below `z`.
[[nodiscard]] double normal_below(double z);

/// Two-sided quantile of Student's t: the mean +- this covers `coverage`. `degrees_of_freedom` >=
/// 1, also fractional or infinite; std::invalid_argument otherwise. Good to 1e-9 relative up to a
/// coverage of 0.9999.
[[nodiscard]] double student_t(double degrees_of_freedom, double coverage);

/// One of several independent inputs, as a share of their combined standard uncertainty.
struct ShapedShare {
  Shape shape;
  double share;
};

/// Two-sided quantile of the sum of independent, symmetric inputs, in combined standard
/// uncertainties; the squares of the shares add up to 1. One input alone: its own quantile, exact.
/// Several: from the Fourier series of their density, whose coefficients are the product of the
/// inputs' characteristic functions (own method); the coverage is met within 0.0002, or with 0.005
/// of normal spread added where one arcsine is nearly everything. Normal for an empty span.
[[nodiscard]] double sum_quantile(std::span<const ShapedShare> inputs, double coverage);

}  // namespace sinewright
