// The Monte Carlo method against distributions with closed forms, and against combine() where both
// must agree.
#include "bench/monte_carlo.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>
#include <stdexcept>
#include <vector>

#include "bench/uncertainty.h"
#include "within.h"

namespace sinewright {
namespace {

double sum(std::span<const double> x) { return std::accumulate(x.begin(), x.end(), 0.0); }

MonteCarloInput input(Shape shape, double standard) { return {0, standard, shape}; }

/// Four standard deviations of an interval's end from 10^5 trials: 4 * 2.7 / sqrt(1e5), see
/// propagate().
constexpr double kEndOfNormal = 0.034;

TEST_CASE("each shape comes out with the moments and the interval that it has") {
  struct Row {
    Shape shape;
    double half;       // of the 95.45 % interval, closed forms
    double tolerance;  // four standard deviations of an end: sqrt(p (1 - p) / M) / density
  };
  const Row rows[] = {
      {Shape::kNormal, 2.0, kEndOfNormal},
      {Shape::kRectangular, std::sqrt(3.0) * 0.9545, 0.007},
      {Shape::kTriangular, std::sqrt(6.0) * (1 - std::sqrt(1 - 0.9545)), 0.022},
      {Shape::kArcsine, std::sqrt(2.0) * std::sin(std::numbers::pi / 2 * 0.9545), 0.001}};
  for (const Row& row : rows) {
    CAPTURE(static_cast<int>(row.shape));
    const std::vector<MonteCarloInput> inputs = {{5, 1, row.shape}};
    const MonteCarloResult r = propagate(inputs, sum);
    CHECK(within(r.mean, 5, 4 / std::sqrt(1e5)));
    CHECK(within(r.standard, 1, 4 * std::sqrt(0.5 / 1e5)));  // normal; the others spread less
    CHECK(within(r.symmetric.low, 5 - row.half, row.tolerance));
    CHECK(within(r.symmetric.high, 5 + row.half, row.tolerance));
    CHECK(r.shortest.high - r.shortest.low <= r.symmetric.high - r.symmetric.low);
  }
}

TEST_CASE("few degrees of freedom draw from Student's t, also fractional ones") {
  for (const double degrees : {1.0, 1.7, 4.0, 30.0}) {
    CAPTURE(degrees);
    const std::vector<MonteCarloInput> inputs = {{0, 1, Shape::kNormal, degrees}};
    const MonteCarloResult r = propagate(inputs, sum, {200000, 3, 0.9});
    const double t = student_t(degrees, 0.9);
    // Four standard deviations of an end, from the density of t there.
    const double density = std::exp(std::lgamma((degrees + 1) / 2) - std::lgamma(degrees / 2)) /
                           std::sqrt(degrees * std::numbers::pi) *
                           std::pow(1 + t * t / degrees, -(degrees + 1) / 2);
    const double tolerance = 4 * std::sqrt(0.05 * 0.95 / 200000) / density;
    CHECK(within(r.symmetric.low, -t, tolerance));
    CHECK(within(r.symmetric.high, t, tolerance));
  }
}

TEST_CASE("linear models agree with combine()") {
  const std::vector<std::vector<Component>> budgets = {
      {rectangular("meter", 0.8), {"stability", 0.1}},
      {rectangular("meter", 0.8, 2), rectangular("load", 0.5), rectangular("temperature", 0.3)},
      {arcsine("hum", 1), {"noise", 0.2}},
      {arcsine("hum", 1), arcsine("distortion", 0.7), rectangular("meter", 0.2)},
      {{"stability", 1}, {"noise", 0.5, -2}}};
  for (const std::vector<Component>& budget : budgets) {
    std::vector<MonteCarloInput> inputs;
    for (const Component& c : budget) inputs.push_back({0, c.standard, c.shape});
    const auto model = [&budget](std::span<const double> x) {
      double y = 0;
      for (std::size_t i = 0; i < x.size(); ++i) y += budget[i].sensitivity * x[i];
      return y;
    };
    const Uncertainty u = combine(budget);
    const MonteCarloResult r = propagate(inputs, model);
    CHECK(within(r.standard / u.standard, 1, 4 * std::sqrt(0.5 / 1e5)));
    CHECK(within(r.symmetric.high / u.standard, u.k, kEndOfNormal));
    CHECK(within(r.symmetric.low / u.standard, -u.k, kEndOfNormal));
  }
}

TEST_CASE("a watt: the square of an uncertain voltage stays near its linear budget") {
  // 20 V +-0.8 %, 8 ohm +-0.5 %, both rectangular: P = V^2 / R.
  const std::vector<MonteCarloInput> inputs = {
      {20, 20 * 0.008 / std::sqrt(3.0), Shape::kRectangular},
      {8, 8 * 0.005 / std::sqrt(3.0), Shape::kRectangular}};
  const MonteCarloResult r =
      propagate(inputs, [](std::span<const double> x) { return x[0] * x[0] / x[1]; });
  const std::vector<Component> budget = {rectangular("meter", 0.008, 2),
                                         rectangular("load", 0.005)};
  const Uncertainty u = combine(budget);
  CHECK(within(r.mean, 50, 0.008));  // second order: u(V)^2 + u(R)^2, 0.0015 W, and statistics
  CHECK(within(r.symmetric.high - 50, 50 * u.expanded, 0.02));
  CHECK(within(50 - r.symmetric.low, 50 * u.expanded, 0.02));
}

TEST_CASE("the shortest interval of a lopsided result is shorter than the symmetric one") {
  // The square of a normal variable: chi-squared of one degree. 90 % lie below 2.7055 (tables), and
  // the density falls throughout, so the shortest interval begins at 0.
  const std::vector<MonteCarloInput> inputs = {input(Shape::kNormal, 1)};
  const MonteCarloResult r =
      propagate(inputs, [](std::span<const double> x) { return x[0] * x[0]; }, {100000, 5, 0.9});
  CHECK(within(r.shortest.low, 0, 1e-3));
  CHECK(within(r.shortest.high, 2.7055, 0.06));
  CHECK(within(r.symmetric.low, 0.00393, 0.001));  // 5 % and 95 % points, tables
  CHECK(within(r.symmetric.high, 3.8415, 0.12));
}

TEST_CASE("the same seed gives the same result, another a different one") {
  const std::vector<MonteCarloInput> inputs = {input(Shape::kNormal, 1),
                                               input(Shape::kRectangular, 1)};
  const MonteCarloResult first = propagate(inputs, sum, {1000, 7, 0.95});
  const MonteCarloResult again = propagate(inputs, sum, {1000, 7, 0.95});
  const MonteCarloResult other = propagate(inputs, sum, {1000, 8, 0.95});
  CHECK(first.mean == again.mean);
  CHECK(first.symmetric.high == again.symmetric.high);
  CHECK(first.mean != other.mean);
}

TEST_CASE("inputs without uncertainty give the value itself") {
  const std::vector<MonteCarloInput> inputs = {{3, 0}, {4, 0, Shape::kArcsine}};
  const MonteCarloResult r = propagate(inputs, sum, {1000, 1, 0.95});
  CHECK(within(r.mean, 7, 1e-12));
  CHECK(within(r.standard, 0, 1e-12));
  CHECK(r.symmetric.low == 7);
  CHECK(r.shortest.high == 7);
}

TEST_CASE("what makes no sense is refused") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const auto refused = [](const MonteCarloInput& one, const MonteCarloSettings& settings = {}) {
    const std::vector<MonteCarloInput> inputs = {one};
    CHECK_THROWS_AS((void)propagate(inputs, sum, settings), std::invalid_argument);
  };
  refused({nan, 1});
  refused({0, -1});
  refused({0, nan});
  refused({0, 1, Shape::kNormal, 0.5});
  refused({0, 1}, {999, 1, 0.95});
  refused({0, 1}, {1000, 1, 1});
  refused({0, 1}, {1000, 1, nan});
  const std::vector<MonteCarloInput> inputs = {{-1, 0}};
  CHECK_THROWS_AS((void)propagate(inputs, [](auto x) { return std::sqrt(x[0]); }),
                  std::invalid_argument);
}

}  // namespace
}  // namespace sinewright
