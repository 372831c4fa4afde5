// Propagation of distributions by the Monte Carlo method of JCGM 101: the check beside combine(),
// which needs no linear model and no assumption about the shape of the result.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <limits>
#include <span>

#include "bench/quantile.h"
#include "findings/findings.h"

namespace sinewright {

/// One input of a model: what is known of it as a distribution around `estimate`.
struct MonteCarloInput {
  double estimate = 0;
  /// Standard uncertainty. With finite degrees of freedom that of the mean as observed, s /
  /// sqrt(n): the distribution drawn from is Student's t scaled by it (JCGM 101, 6.4.9), which is
  /// wider.
  double standard = 0;
  Shape shape = Shape::kNormal;
  /// 1 or more. Counts for Shape::kNormal; the others are bounds that are known.
  double degrees_of_freedom = std::numeric_limits<double>::infinity();
};

struct MonteCarloSettings {
  std::size_t trials = 100000;
  std::uint64_t seed = 1;
  double coverage = 0.9545;  ///< of both intervals, between 0 and 1
};

struct MonteCarloResult {
  double mean;         ///< JCGM 101, 7.6
  double standard;     ///< standard deviation of the model's values
  Interval symmetric;  ///< as much probability below it as above (7.7.1)
  Interval shortest;   ///< of all intervals that cover, the shortest (7.7.2)
};

/// Draws all inputs `settings.trials` times, independently, and hands each set to `model`, in the
/// order of `inputs`. The same seed gives the same draws with every compiler and library, up to the
/// last digit of their log and cos.
///
/// Of the 95.45 % interval of a normal result from M trials each end has a standard deviation of
/// 2.7 / sqrt(M) standard uncertainties (from the density at the quantile).
///
/// Throws std::invalid_argument for fewer than 1000 trials, a coverage outside (0, 1), an input
/// that is not finite or is negative where that means nothing, or a model that returns no finite
/// number.
[[nodiscard]] MonteCarloResult propagate(
    std::span<const MonteCarloInput> inputs,
    const std::function<double(std::span<const double>)>& model,
    const MonteCarloSettings& settings = {});

}  // namespace sinewright
