#include "bench/monte_carlo.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <stdexcept>
#include <vector>

namespace sinewright {

namespace {

/// Draws of our own making: the distributions of the standard library differ from one to the next.
class Draws {
 public:
  explicit Draws(std::uint64_t seed) : engine_(seed) {}

  double of(const MonteCarloInput& input) {
    switch (input.shape) {
      case Shape::kRectangular:
        return std::numbers::sqrt3 * (2 * uniform() - 1);
      case Shape::kTriangular:
        return std::sqrt(6.0) * (uniform() + uniform() - 1);
      case Shape::kArcsine:
        return std::numbers::sqrt2 * std::cos(std::numbers::pi * uniform());
      case Shape::kNormal:
        break;
    }
    if (std::isinf(input.degrees_of_freedom)) return normal();
    return normal() / std::sqrt(chi_squared_per_degree(input.degrees_of_freedom));
  }

 private:
  /// Between 0 and 1, neither of which comes.
  double uniform() { return (static_cast<double>(engine_() >> 11) + 0.5) * 0x1p-53; }

  /// Box and Muller, of whose two values one is enough here (JCGM 101, C.4).
  double normal() {
    const double radius = std::sqrt(-2 * std::log(uniform()));
    return radius * std::cos(2 * std::numbers::pi * uniform());
  }

  /// Chi-squared over its degrees of freedom, as a gamma variable of half of them. G. Marsaglia and
  /// W. W. Tsang, "A simple method for generating gamma variables", ACM Trans. Math. Softw. 26(3),
  /// 2000 (from memory); a shape below 1 by its power of a uniform, ibid.
  double chi_squared_per_degree(double degrees_of_freedom) {
    const double shape = degrees_of_freedom / 2;
    const double lifted = shape < 1 ? shape + 1 : shape;
    const double power = shape < 1 ? std::pow(uniform(), 1 / shape) : 1;
    const double d = lifted - 1.0 / 3;
    const double c = 1 / std::sqrt(9 * d);
    for (;;) {
      const double x = normal();
      const double v = std::pow(1 + c * x, 3);
      if (v > 0 && std::log(uniform()) < x * x / 2 + d - d * v + d * std::log(v))
        return power * d * v / shape;
    }
  }

  std::mt19937_64 engine_;
};

void require(const MonteCarloSettings& settings) {
  if (settings.trials < 1000)
    throw std::invalid_argument(fmt::format("trials: {}, must be 1000 or more", settings.trials));
  if (!(settings.coverage > 0 && settings.coverage < 1))
    throw std::invalid_argument(
        fmt::format("coverage: {}, must lie between 0 and 1", settings.coverage));
}

void require(const MonteCarloInput& input) {
  if (!std::isfinite(input.estimate))
    throw std::invalid_argument(fmt::format("estimate: {}, must be finite", input.estimate));
  if (!std::isfinite(input.standard) || input.standard < 0)
    throw std::invalid_argument(
        fmt::format("standard: {}, must be finite and not negative", input.standard));
  if (!(input.degrees_of_freedom >= 1))
    throw std::invalid_argument(
        fmt::format("degrees_of_freedom: {}, must be 1 or more", input.degrees_of_freedom));
}

std::vector<double> values_of(std::span<const MonteCarloInput> inputs,
                              const std::function<double(std::span<const double>)>& model,
                              const MonteCarloSettings& settings) {
  Draws draws(settings.seed);
  std::vector<double> drawn(inputs.size());
  std::vector<double> values(settings.trials);
  for (double& value : values) {
    for (std::size_t i = 0; i < inputs.size(); ++i)
      drawn[i] = inputs[i].estimate + inputs[i].standard * draws.of(inputs[i]);
    value = model(drawn);
    if (!std::isfinite(value))
      throw std::invalid_argument(fmt::format("model: returned {}, must be finite", value));
  }
  return values;
}

}  // namespace

MonteCarloResult propagate(std::span<const MonteCarloInput> inputs,
                           const std::function<double(std::span<const double>)>& model,
                           const MonteCarloSettings& settings) {
  require(settings);
  for (const MonteCarloInput& input : inputs) require(input);
  std::vector<double> values = values_of(inputs, model, settings);
  std::ranges::sort(values);

  MonteCarloResult result{};
  const double count = static_cast<double>(values.size());
  for (const double v : values) result.mean += v / count;
  double squares = 0;
  for (const double v : values) squares += (v - result.mean) * (v - result.mean);
  result.standard = std::sqrt(squares / (count - 1));

  // Of M sorted values, q steps from one to another hold the coverage q / M (JCGM 101, 7.7).
  const auto steps = std::min(values.size() - 1,
                              static_cast<std::size_t>(std::llround(settings.coverage * count)));
  const std::size_t starts = values.size() - steps;
  const std::size_t middle = (starts - 1) / 2;
  result.symmetric = {values[middle], values[middle + steps]};
  std::size_t best = middle;  // of equals the symmetric one
  for (std::size_t i = 0; i < starts; ++i)
    if (values[i + steps] - values[i] < values[best + steps] - values[best]) best = i;
  result.shortest = {values[best], values[best + steps]};
  return result;
}

}  // namespace sinewright
