#include "bench/quantile.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <stdexcept>
#include <utility>
#include <vector>

namespace sinewright {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

void require_coverage(double coverage) {
  if (coverage > 0 && coverage < 1) return;
  throw std::invalid_argument(fmt::format("coverage: {}, must lie between 0 and 1", coverage));
}

/// The root of an increasing `value`, by Newton's steps with bisection where they leave the
/// bracket. `value_and_slope(x)`: f(x) - wanted, and f'(x).
template <typename Function>
double solve(double low, double high, double guess, Function value_and_slope) {
  double x = std::clamp(guess, low, high);
  for (int step = 0; step < 200 && high - low > 1e-13 * high; ++step) {
    const auto [value, slope] = value_and_slope(x);
    if (value == 0) break;
    (value < 0 ? low : high) = x;
    const double newton = slope > 0 ? x - value / slope : kInfinity;
    const double next = newton > low && newton < high ? newton : (low + high) / 2;
    if (std::abs(next - x) <= 1e-12 * x) break;
    x = next;
  }
  return x;
}

/// The continued fraction of the regularised incomplete beta function, DLMF 8.17.22, by Lentz's
/// method; converges fast for x < (a + 1) / (a + b + 2).
double beta_fraction(double x, double a, double b) {
  constexpr double kTiny = 1e-300;
  const auto not_zero = [](double v) { return std::abs(v) < kTiny ? kTiny : v; };
  double c = 1;
  double d = 1 / not_zero(1 - (a + b) * x / (a + 1));
  double fraction = d;
  for (int m = 1; m <= 500; ++m) {
    const double even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m));
    const double odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1));
    double change = 1;
    for (const double term : {even, odd}) {
      d = 1 / not_zero(1 + term * d);
      c = not_zero(1 + term / c);
      change = c * d;
      fraction *= change;
    }
    if (std::abs(change - 1) < 1e-15) break;
  }
  return fraction;
}

/// I_x(a, b) and, as its mirror is I_(1-x)(b, a), from whichever side converges. `y` is 1 - x,
/// given apart so that it keeps its digits.
double incomplete_beta(double x, double y, double a, double b) {
  if (x <= 0) return 0;
  if (y <= 0) return 1;
  const double front = std::exp(std::lgamma(a + b) - std::lgamma(a) - std::lgamma(b) +
                                a * std::log(x) + b * std::log(y));
  if (x < (a + 1) / (a + b + 2)) return front * beta_fraction(x, a, b) / a;
  return 1 - front * beta_fraction(y, b, a) / b;
}

/// Student's t as a series in 1/dof around the normal quantile (Abramowitz and Stegun, 26.7.5, from
/// memory; checked against the incomplete beta function at 1000, where they meet to 1e-10).
double student_t_of_many(double degrees_of_freedom, double z) {
  const double z2 = z * z;
  const double n = degrees_of_freedom;
  return z + z * (z2 + 1) / (4 * n) + z * ((5 * z2 + 16) * z2 + 3) / (96 * n * n) +
         z * (((3 * z2 + 19) * z2 + 17) * z2 - 15) / (384 * n * n * n);
}

/// The characteristic function at `w`, and a bound of it at this and any higher `w`.
std::pair<double, double> characteristic(const ShapedShare& input, double w) {
  const auto sinc = [](double x) { return std::abs(x) < 1e-8 ? 1.0 : std::sin(x) / x; };
  const auto below = [](double bound) { return std::min(1.0, bound); };
  switch (input.shape) {
    case Shape::kRectangular: {
      const double x = input.share * std::numbers::sqrt3 * w;
      return {sinc(x), below(1 / x)};
    }
    case Shape::kTriangular: {
      const double x = input.share * std::sqrt(1.5) * w;
      return {sinc(x) * sinc(x), below(1 / (x * x))};
    }
    case Shape::kArcsine: {
      const double x = input.share * std::numbers::sqrt2 * w;
      return {::j0(x), below(std::sqrt(2 / (std::numbers::pi * x)))};
    }
    case Shape::kNormal:
      break;
  }
  const double fall = std::exp(-std::pow(input.share * w, 2) / 2);
  return {fall, fall};
}

/// Quantile of one input alone, in its standard uncertainties.
double single_quantile(Shape shape, double coverage) {
  switch (shape) {
    case Shape::kRectangular:
      return std::numbers::sqrt3 * coverage;
    case Shape::kTriangular:
      return std::sqrt(6.0) * (1 - std::sqrt(1 - coverage));
    case Shape::kArcsine:
      return std::numbers::sqrt2 * std::sin(std::numbers::pi / 2 * coverage);
    case Shape::kNormal:
      break;
  }
  return normal_quantile(coverage);
}

/// Half the period over which the sum's density is written as a Fourier series, in standard
/// uncertainties: a quantile of 6 still stands 10 from the next period.
constexpr double kHalfPeriod = 8;

/// The characteristic function of the sum at j * pi / kHalfPeriod, j = 1, 2, ..., until what is
/// left out changes no coverage by 1e-6.
std::vector<double> characteristic_of_sum(std::span<const ShapedShare> inputs) {
  // A breath of normal spread makes the series end even where one arcsine is nearly everything.
  // The inputs give up as much, so that the variance stays 1.
  constexpr double kSmoothing = 0.005;
  const double shrink = std::sqrt(1 - kSmoothing * kSmoothing);
  std::vector<double> values;
  for (double bound = 1; bound > 1e-7 * static_cast<double>(values.size() + 1);) {
    const double w = static_cast<double>(values.size() + 1) * std::numbers::pi / kHalfPeriod;
    bound = std::exp(-std::pow(kSmoothing * w, 2) / 2);
    double product = bound;
    for (const ShapedShare& input : inputs) {
      const auto [value, envelope] = characteristic(input, shrink * w);
      product *= value;
      bound *= envelope;
    }
    values.push_back(product);
  }
  return values;
}

}  // namespace

double normal_quantile(double coverage) {
  require_coverage(coverage);
  return solve(0, 40, 2, [coverage](double z) {
    const double density = std::exp(-z * z / 2) * std::numbers::sqrt2 * std::numbers::inv_sqrtpi;
    // erfc near certainty, where 1 - erf has no digits left.
    const double above = std::erfc(z / std::numbers::sqrt2) - (1 - coverage);
    return std::pair{coverage > 0.5 ? -above : std::erf(z / std::numbers::sqrt2) - coverage,
                     density};
  });
}

double normal_below(double z) { return std::erfc(-z / std::numbers::sqrt2) / 2; }

double student_t(double degrees_of_freedom, double coverage) {
  if (!(degrees_of_freedom >= 1))
    throw std::invalid_argument(
        fmt::format("degrees_of_freedom: {}, must be 1 or more", degrees_of_freedom));
  const double n = degrees_of_freedom;
  const double z = normal_quantile(coverage);
  if (std::isinf(n)) return z;
  if (n >= 1000) return student_t_of_many(n, z);

  // One degree of freedom has the widest tails and a closed form; it is the upper bracket.
  const double widest = 1 / std::tan(std::numbers::pi / 2 * (1 - coverage));
  if (n == 1) return widest;
  const double log_peak =
      std::lgamma((n + 1) / 2) - std::lgamma(n / 2) - std::log(n * std::numbers::pi) / 2;
  return solve(0, widest * (1 + 1e-12), z, [&](double t) {
    const double t2 = t * t;
    const double outside = incomplete_beta(n / (n + t2), t2 / (n + t2), n / 2, 0.5);
    const double density = 2 * std::exp(log_peak - (n + 1) / 2 * std::log1p(t2 / n));
    return std::pair{(1 - coverage) - outside, density};
  });
}

double sum_quantile(std::span<const ShapedShare> inputs, double coverage) {
  if (inputs.empty()) return normal_quantile(coverage);
  if (inputs.size() == 1) return single_quantile(inputs.front().shape, coverage);
  const std::vector<double> phi = characteristic_of_sum(inputs);
  return solve(0, kHalfPeriod, normal_quantile(coverage), [&](double k) {
    const double turn = std::numbers::pi * k / kHalfPeriod;
    double covered = k / kHalfPeriod;
    double density = 1 / kHalfPeriod;
    for (std::size_t j = 1; j <= phi.size(); ++j) {
      const double angle = static_cast<double>(j) * turn;
      covered += 2 * phi[j - 1] * std::sin(angle) / (std::numbers::pi * static_cast<double>(j));
      density += 2 * phi[j - 1] * std::cos(angle) / kHalfPeriod;
    }
    return std::pair{covered - coverage, density};
  });
}

}  // namespace sinewright
