#include "device/bench_parts.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "within.h"

namespace sinewright {
namespace {

constexpr int kDraws = 2000;

/// How far a factor is from 1, percent.
double off_percent(double factor) { return 100 * (factor - 1); }

struct Extent {
  double low = 1e9;
  double high = -1e9;
  void take(double value) {
    low = std::min(low, value);
    high = std::max(high, value);
  }
  /// Every value within `bound`, and the draws come near it on both sides: of 2000 even draws none
  /// falls into the outermost twentieth of a side with a chance of 1e-22.
  [[nodiscard]] bool fills(double bound) const {
    return low >= -bound && high <= bound && low < -0.9 * bound && high > 0.9 * bound;
  }
};

TEST_CASE("each part is drawn within its tolerance, and fills it") {
  const PartTolerances within_these;
  Extent input, output, apart, ratio, load, volt, ohm;
  double highest_lead_ohm = 0;
  for (std::uint64_t seed = 1; seed <= kDraws; ++seed) {
    const BenchParts parts = random_parts(seed, 2);
    input.take(off_percent((parts.input_scale[0] + parts.input_scale[1]) / 2));
    output.take(off_percent((parts.output_scale[0] + parts.output_scale[1]) / 2));
    const double both = (parts.input_scale[0] + parts.input_scale[1]) / 2;
    apart.take(100 * (parts.input_scale[0] - parts.input_scale[1]) / both);
    REQUIRE(parts.ratio_scale.size() == 2);
    for (const auto& range : parts.ratio_scale) {
      for (const double factor : range) ratio.take(off_percent(factor));
    }
    for (const double factor : parts.load_scale) load.take(off_percent(factor));
    volt.take(off_percent(parts.voltmeter_gain));
    ohm.take(off_percent(parts.ohmmeter_gain));
    CHECK(parts.lead_ohm >= 0);
    highest_lead_ohm = std::max(highest_lead_ohm, parts.lead_ohm);
  }
  CHECK(input.fills(within_these.sound_card_percent));
  CHECK(output.fills(within_these.sound_card_percent));
  CHECK(apart.fills(1));
  CHECK(ratio.fills(within_these.divider_percent));
  CHECK(load.fills(within_these.load_percent));
  CHECK(volt.fills(within_these.voltmeter_percent));
  CHECK(ohm.fills(within_these.ohmmeter_percent));
  CHECK(highest_lead_ohm <= within_these.lead_ohm);
  CHECK(highest_lead_ohm > 0.9 * within_these.lead_ohm);
}

TEST_CASE("draws are even: mean and spread of a uniform distribution") {
  double sum = 0;
  double squares = 0;
  for (std::uint64_t seed = 1; seed <= kDraws; ++seed) {
    const double off = off_percent(random_parts(seed, 1).load_scale[0]) / 2;  // -1 to 1
    sum += off;
    squares += off * off;
  }
  // Mean 0 with a deviation of 1/sqrt(3 N); mean square 1/3 with one of sqrt(4/45/N). Four each.
  CHECK(within(sum / kDraws, 0, 4 / std::sqrt(3.0 * kDraws)));
  CHECK(within(squares / kDraws, 1.0 / 3, 4 * std::sqrt(4.0 / 45 / kDraws)));
}

TEST_CASE("the same seed draws the same parts everywhere, another seed others") {
  const BenchParts parts = random_parts(7, 2);
  const BenchParts again = random_parts(7, 2);
  CHECK(parts.input_scale == again.input_scale);
  CHECK(parts.ratio_scale == again.ratio_scale);
  CHECK(parts.lead_ohm == again.lead_ohm);
  CHECK(parts.load_scale != random_parts(8, 2).load_scale);
  // What it drew when it was written: on another compiler or machine it must draw the same.
  CHECK(within(parts.input_scale[0], 1.0445236060055798, 1e-15));
  CHECK(within(parts.ratio_scale[1][1], 0.98941527053514766, 1e-15));
}

TEST_CASE("one range more leaves the other parts as they were") {
  const BenchParts two = random_parts(3, 2);
  const BenchParts three = random_parts(3, 3);
  CHECK(two.output_scale == three.output_scale);
  CHECK(two.voltmeter_gain == three.voltmeter_gain);
  CHECK(two.ratio(1) == three.ratio(1));
  CHECK(two.ratio(2) == std::array<double, 2>{1, 1});  // as marked
}

TEST_CASE("tolerances that no part can have are refused by name") {
  PartTolerances tolerances;
  tolerances.load_percent = -1;
  CHECK_THROWS_WITH_AS((void)random_parts(1, 1, tolerances),
                       "load_percent must be 0 to below 100, is -1", std::invalid_argument);
  tolerances.load_percent = 100;
  CHECK_THROWS_AS((void)random_parts(1, 1, tolerances), std::invalid_argument);
  tolerances.load_percent = 2;
  tolerances.lead_ohm = std::nan("");
  CHECK_THROWS_AS((void)random_parts(1, 1, tolerances), std::invalid_argument);
}

}  // namespace
}  // namespace sinewright
