// Verdicts at, inside and outside of limits and guard bands.
#include "bench/decision.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <stdexcept>

#include "within.h"

namespace sinewright {
namespace {

const Tolerance kAtMost1{std::nullopt, 1.0};
const Tolerance kAtLeast62{62.0, std::nullopt};
const Tolerance kBetween{-1.0, 1.0};

TEST_CASE("an upper limit: THD of at most 1 %, known to 0.25") {
  struct Row {
    double value;
    Verdict verdict;
  };
  // Numbers that doubles hold exactly, so that the edges are the edges.
  const Row rows[] = {{0.5, Verdict::kPass},           {0.75, Verdict::kPass},
                      {0.751, Verdict::kInconclusive}, {1.0, Verdict::kInconclusive},
                      {1.25, Verdict::kInconclusive},  {1.251, Verdict::kFail}};
  for (const Row& row : rows) {
    CAPTURE(row.value);
    const Decision d = decide(row.value, 0.125, 0.25, kAtMost1);
    CHECK(d.verdict == row.verdict);
    CHECK(within(d.margin, 1 - row.value, 1e-12));
    CHECK(d.guard_band == 0.25);
  }
}

TEST_CASE("a lower limit mirrors it: rated power of 62 W") {
  CHECK(decide(64.0, 1.0, 2.0, kAtLeast62).verdict == Verdict::kPass);
  CHECK(decide(63.9, 1.0, 2.0, kAtLeast62).verdict == Verdict::kInconclusive);
  CHECK(decide(60.0, 1.0, 2.0, kAtLeast62).verdict == Verdict::kInconclusive);
  CHECK(decide(59.9, 1.0, 2.0, kAtLeast62).verdict == Verdict::kFail);
  CHECK(within(decide(59.0, 1.0, 2.0, kAtLeast62).margin, -3, 1e-12));
}

TEST_CASE("both limits: the nearer one decides") {
  CHECK(decide(0.0, 0.1, 0.2, kBetween).verdict == Verdict::kPass);
  CHECK(decide(0.9, 0.1, 0.2, kBetween).verdict == Verdict::kInconclusive);
  CHECK(decide(-0.9, 0.1, 0.2, kBetween).verdict == Verdict::kInconclusive);
  CHECK(decide(-1.3, 0.1, 0.2, kBetween).verdict == Verdict::kFail);
  CHECK(within(decide(-0.9, 0.1, 0.2, kBetween).margin, 0.1, 1e-12));
  // Narrower than two guard bands: nothing passes, the far outside still fails.
  CHECK(decide(0.0, 1.0, 2.0, kBetween).verdict == Verdict::kInconclusive);
  CHECK(decide(9.0, 1.0, 2.0, kBetween).verdict == Verdict::kFail);
}

TEST_CASE("conformance is the probability between the limits") {
  // Table of the normal distribution: 84.134 % below +1, 68.269 % within +-1.
  CHECK(within(*decide(0.9, 0.1, 0.2, kAtMost1).conformance, 0.841345, 1e-6));
  CHECK(within(*decide(0.0, 1.0, 2.0, kBetween).conformance, 0.682689, 1e-6));
  CHECK(within(*decide(62.0, 1.0, 2.0, kAtLeast62).conformance, 0.5, 1e-12));
  CHECK(within(*decide(61.0, 1.0, 2.0, kAtLeast62).conformance, 0.158655, 1e-6));
}

TEST_CASE("without uncertainty the limit itself conforms") {
  CHECK(decide(1.0, 0, 0, kAtMost1).verdict == Verdict::kPass);
  CHECK(*decide(1.0, 0, 0, kAtMost1).conformance == 1);
  CHECK(decide(1.0001, 0, 0, kAtMost1).verdict == Verdict::kFail);
  CHECK(*decide(1.0001, 0, 0, kAtMost1).conformance == 0);
}

TEST_CASE("an expanded uncertainty is the guard band") {
  const Uncertainty u{0.5, 4, 2.87, 1.435};
  const Decision d = decide(63.4, u, kAtLeast62);
  CHECK(d.verdict == Verdict::kInconclusive);
  CHECK(d.guard_band == 1.435);
  CHECK(decide(63.44, u, kAtLeast62).verdict == Verdict::kPass);
}

TEST_CASE("an interval passes or fails as a whole") {
  const auto verdict = [](double low, double high, const Tolerance& t) {
    return decide(Interval{low, high}, t).verdict;
  };
  CHECK(verdict(0.2, 1.0, kAtMost1) == Verdict::kPass);
  CHECK(verdict(0.2, 1.1, kAtMost1) == Verdict::kInconclusive);
  CHECK(verdict(1.0, 1.1, kAtMost1) == Verdict::kInconclusive);
  CHECK(verdict(1.01, 1.1, kAtMost1) == Verdict::kFail);
  CHECK(verdict(50, 61.9, kAtLeast62) == Verdict::kFail);
  CHECK(verdict(50, 62, kAtLeast62) == Verdict::kInconclusive);
  CHECK(verdict(62, 70, kAtLeast62) == Verdict::kPass);
  CHECK(verdict(-2, 2, kBetween) == Verdict::kInconclusive);
  CHECK(verdict(-0.5, 0.5, kBetween) == Verdict::kPass);
  CHECK(verdict(2, 3, kBetween) == Verdict::kFail);
  CHECK(verdict(-3, -2, kBetween) == Verdict::kFail);
  CHECK(verdict(0, std::numeric_limits<double>::infinity(), kAtMost1) == Verdict::kInconclusive);
  const Decision d = decide(Interval{0.2, 0.7}, kAtMost1);
  CHECK(within(d.margin, 0.3, 1e-12));
  CHECK_FALSE(d.conformance);
  CHECK(d.guard_band == 0);
}

TEST_CASE("what makes no sense is refused") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double infinity = std::numeric_limits<double>::infinity();
  CHECK_THROWS_AS((void)decide(nan, 1, 2, kAtMost1), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(infinity, 1, 2, kAtMost1), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(1, -1, 2, kAtMost1), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(1, 1, nan, kAtMost1), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(1, 1, 2, Tolerance{}), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(1, 1, 2, Tolerance{1.0, 1.0}), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(1, 1, 2, Tolerance{nan, std::nullopt}), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(Interval{2, 1}, kAtMost1), std::invalid_argument);
  CHECK_THROWS_AS((void)decide(Interval{nan, 1}, kAtMost1), std::invalid_argument);
}

}  // namespace
}  // namespace sinewright
