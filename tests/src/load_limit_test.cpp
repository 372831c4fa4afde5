#include "bench/load_limit.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "within.h"

namespace sinewright {
namespace {

Load short_time_load() {
  Load load;
  load.rated_w = 100;
  load.rated_s = 60;
  load.continuous_w = 30;
  return load;
}

TEST_CASE("from cold it bears its rating for as long as stated, and what it bears for ever") {
  const LoadHeat cold(short_time_load());
  CHECK(within(cold.bearable_s(100), 60, 1e-9));
  CHECK(std::isinf(cold.bearable_s(30)));
  CHECK(cold.may_take(100, 59.9));
  CHECK_FALSE(cold.may_take(100, 60.1));
  CHECK(std::isinf(cold.rest_s(100, 60.1)));
  // Above the rating never, however short.
  CHECK(std::isinf(cold.rest_s(101, 0.001)));
  CHECK(cold.bearable_s(101) == 0);
}

TEST_CASE("heat follows the exponential, however it is cut into pieces") {
  const double tau_s = -60 / std::log(1 - 0.3);
  LoadHeat heat(short_time_load());
  for (int i = 0; i < 1000; ++i) heat.advance(50, 0.02);
  CHECK(within(heat.heat(), 50.0 / 30 * (1 - std::exp(-20 / tau_s)), 1e-9));
  const double then = heat.heat();
  heat.advance(0, 30);
  CHECK(within(heat.heat(), then * std::exp(-30 / tau_s), 1e-12));
  LoadHeat for_ever(short_time_load());
  for_ever.advance(30, 1e6);
  CHECK(within(for_ever.heat(), 1, 1e-9));
}

TEST_CASE("the rest between bursts is just long enough") {
  LoadHeat heat(short_time_load());
  heat.advance(100, 50);
  CHECK(heat.may_take(100, 9.9));
  CHECK_FALSE(heat.may_take(100, 20));
  const double rest_s = heat.rest_s(100, 20);
  CHECK(rest_s > 0);
  LoadHeat too_early = heat;
  too_early.advance(0, rest_s - 0.1);
  CHECK_FALSE(too_early.may_take(100, 20));
  heat.advance(0, rest_s);
  CHECK(heat.may_take(100, 20));
  heat.advance(100, 20);
  CHECK(within(heat.heat(), 1, 1e-6));
  CHECK(heat.rest_s(30, 1e9) == 0);  // what it bears for ever it bears now
}

TEST_CASE("a load without a time bears its rating for ever") {
  Load load;
  load.rated_w = 100;
  LoadHeat heat(load);
  heat.advance(100, 1e6);
  CHECK(heat.may_take(100, 1e6));
  CHECK_FALSE(heat.is_too_hot());
  CHECK(std::isinf(heat.rest_s(101, 0.1)));
}

TEST_CASE("what stands for ever is assumed low where only the time is stated") {
  Load load = short_time_load();
  load.continuous_w.reset();
  const LoadHeat heat(load);
  CHECK(within(heat.bearable_s(100), 60, 1e-9));
  CHECK(std::isinf(heat.bearable_s(10)));
  CHECK(heat.bearable_s(11) < 1e4);
}

TEST_CASE("a load that bears nothing is no load") {
  for (const double bad : {0.0, -1.0, std::nan("")}) {
    Load load = short_time_load();
    load.rated_w = bad;
    CHECK_THROWS_AS(LoadHeat{load}, std::invalid_argument);
    load = short_time_load();
    load.rated_s = bad;
    CHECK_THROWS_AS(LoadHeat{load}, std::invalid_argument);
    load = short_time_load();
    load.continuous_w = bad;
    CHECK_THROWS_AS(LoadHeat{load}, std::invalid_argument);
  }
}

}  // namespace
}  // namespace sinewright
