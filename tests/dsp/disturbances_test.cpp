// dsp/disturbances.h: faults made on purpose, and none where there are none.
#include "dsp/disturbances.h"

#include <doctest/doctest.h>

#include <cmath>
#include <vector>

#include "dsp/noise_signals.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr std::size_t kLength = 48000;
constexpr double kPeriod = 48;

struct Block {
  std::vector<double> tone, residual;
  std::vector<double> samples() const {
    std::vector<double> sum = tone;
    for (std::size_t i = 0; i < sum.size(); ++i) sum[i] += residual[i];
    return sum;
  }
};

Block steady(double noise, std::uint64_t seed) {
  Block block{std::vector<double>(kLength), std::vector<double>(kLength)};
  add_line(block.tone, {48000}, {1000, 0.5});
  add_noise(block.residual, noise, seed);
  return block;
}

std::vector<Disturbance> found_in(const Block& block) {
  return find_disturbances(block.samples(), block.residual, kPeriod, 0.7);
}

}  // namespace

TEST_CASE("a click is found where it struck") {
  Block block = steady(1e-4, 1);
  block.residual[12345] += 0.01;
  const auto found = found_in(block);
  REQUIRE(found.size() == 1);
  CHECK(found[0].frame == 12345);
  CHECK(found[0].kind == Disturbance::Kind::kClick);
  CHECK(within(found[0].height, 0.01, 5e-4));
}

TEST_CASE("a held value is a dropout") {
  Block block = steady(1e-4, 2);
  const double held = block.tone[20000];
  for (std::size_t i = 20000; i < 20040; ++i) block.residual[i] = held - block.tone[i];
  const auto found = found_in(block);
  REQUIRE(!found.empty());
  for (const Disturbance& one : found) {
    CHECK(one.kind == Disturbance::Kind::kDropout);
    CHECK(one.frame >= 20000);
    CHECK(one.frame < 20040);
  }
}

TEST_CASE("noise, and spikes that come with every period, strike nothing") {
  for (std::uint64_t seed = 1; seed <= 40; ++seed) CHECK(found_in(steady(1e-4, seed)).empty());
  Block block = steady(1e-5, 3);
  for (std::size_t i = 0; i < kLength; i += 24) block.residual[i] += 0.01;  // crossover
  CHECK(found_in(block).empty());
  CHECK(found_in(steady(0, 1)).empty());
}

TEST_CASE("blocks of fewer than four stretches say nothing") {
  const std::vector<double> few(1000, 0.1);
  CHECK(find_disturbances(few, few, kPeriod, 0.7).empty());
}
