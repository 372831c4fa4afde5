#include "bench/uncertainty.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

namespace sinewright {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

void require_component(const Component& c) {
  const auto refuse = [&c](const char* what, double value, const char* bound) {
    throw std::invalid_argument(
        fmt::format("component \"{}\": {} is {}, must be {}", c.source, what, value, bound));
  };
  if (!std::isfinite(c.standard) || c.standard < 0)
    refuse("standard", c.standard, "finite and not negative");
  if (!std::isfinite(c.sensitivity)) refuse("sensitivity", c.sensitivity, "finite");
  if (!(c.degrees_of_freedom >= 1)) refuse("degrees_of_freedom", c.degrees_of_freedom, ">= 1");
}

void require_correlation(const Correlation& r, std::size_t components) {
  const std::size_t last = std::max(r.first, r.second);
  if (last >= components)
    throw std::invalid_argument(
        fmt::format("correlation: names component {} of {}", last, components));
  if (r.first == r.second)
    throw std::invalid_argument(fmt::format("correlation: of component {} with itself", r.first));
  if (!(std::abs(r.coefficient) <= 1))
    throw std::invalid_argument(
        fmt::format("correlation: coefficient is {}, must be -1 to 1", r.coefficient));
}

/// Shares of the combined uncertainty: those that are not normal, and all normal ones as one. A
/// component with a correlation counts as normal, for the shape of the joint distribution is not
/// known; that takes k too large rather than too small.
std::vector<ShapedShare> shares(std::span<const Component> components,
                                std::span<const Correlation> correlations, double standard) {
  // So small a share moves k by less than 0.001, and left in would cost a long series.
  constexpr double kNegligible = 0.003;
  std::vector<ShapedShare> shaped;
  double left = 1;
  for (std::size_t i = 0; i < components.size(); ++i) {
    const bool is_correlated = std::ranges::any_of(correlations, [i](const Correlation& r) {
      return (r.first == i || r.second == i) && r.coefficient != 0;
    });
    const double share = components[i].contribution() / standard;
    if (components[i].shape == Shape::kNormal || is_correlated || share < kNegligible) continue;
    shaped.push_back({components[i].shape, share});
    left -= share * share;
  }
  if (left > kNegligible * kNegligible) shaped.push_back({Shape::kNormal, std::sqrt(left)});
  return shaped;
}

double combined_variance(std::span<const Component> components,
                         std::span<const Correlation> correlations) {
  double variance = 0;
  for (const Component& c : components) variance += c.contribution() * c.contribution();
  for (const Correlation& r : correlations) {
    const Component& a = components[r.first];
    const Component& b = components[r.second];
    variance += 2 * r.coefficient * a.standard * a.sensitivity * b.standard * b.sensitivity;
  }
  return std::max(0.0, variance);
}

/// Welch and Satterthwaite. Never fewer than the least certain component has, which the formula
/// would give where correlated components cancel.
double effective_degrees_of_freedom(std::span<const Component> components, double standard) {
  double sum = 0;
  double fewest = kInfinity;
  for (const Component& c : components) {
    const double share = c.contribution() / standard;
    if (share == 0) continue;
    sum += std::pow(share, 4) / c.degrees_of_freedom;
    fewest = std::min(fewest, c.degrees_of_freedom);
  }
  return sum > 0 ? std::max(fewest, 1 / sum) : kInfinity;
}

double coverage_factor(std::span<const ShapedShare> inputs, double degrees_of_freedom,
                       double coverage) {
  const double shape = sum_quantile(inputs, coverage);
  if (std::isinf(degrees_of_freedom)) return shape;
  return shape * student_t(degrees_of_freedom, coverage) / normal_quantile(coverage);
}

}  // namespace

double Component::contribution() const { return std::abs(standard * sensitivity); }

Component rectangular(std::string source, double half_width, double sensitivity) {
  return {std::move(source), half_width / std::numbers::sqrt3, sensitivity, Shape::kRectangular,
          kInfinity};
}

Component type_a(std::string source, double standard, double degrees_of_freedom,
                 double sensitivity) {
  return {std::move(source), standard, sensitivity, Shape::kNormal, degrees_of_freedom};
}

Component arcsine(std::string source, double amplitude, double sensitivity) {
  return {std::move(source), amplitude / std::numbers::sqrt2, sensitivity, Shape::kArcsine,
          kInfinity};
}

Uncertainty combine(std::span<const Component> components,
                    std::span<const Correlation> correlations, double coverage) {
  if (!(coverage > 0 && coverage < 1))
    throw std::invalid_argument(fmt::format("coverage: {}, must lie between 0 and 1", coverage));
  for (const Component& c : components) require_component(c);
  for (const Correlation& r : correlations) require_correlation(r, components.size());

  Uncertainty result;
  result.standard = std::sqrt(combined_variance(components, correlations));
  if (result.standard == 0) return result;
  result.degrees_of_freedom = effective_degrees_of_freedom(components, result.standard);
  result.k = coverage_factor(shares(components, correlations, result.standard),
                             result.degrees_of_freedom, coverage);
  result.expanded = result.k * result.standard;
  return result;
}

}  // namespace sinewright
