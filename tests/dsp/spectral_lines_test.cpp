// dsp/spectral_lines.h on periodograms of known law: exponential, averaged.
#include "dsp/spectral_lines.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numeric>
#include <random>
#include <stdexcept>
#include <vector>

#include "within.h"

using namespace sinewright;

namespace {

// Averages of `blocks` independent exponential bins of mean 1, as the spectra of white noise are.
std::vector<double> noise_spectrum(std::size_t bins, int blocks, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::vector<double> power(bins);
  for (double& p : power) {
    for (int b = 0; b < blocks; ++b) {
      p -= std::log((static_cast<double>(random() >> 11) + 0.5) * 0x1p-53) / blocks;
    }
  }
  return power;
}

}  // namespace

TEST_CASE("the floor is the noise's mean, for any number of spectra averaged") {
  for (const int blocks : {1, 4, 30}) {
    CAPTURE(blocks);
    const auto floor = spectral_floor(noise_spectrum(20000, blocks, 1), 4, 24, blocks);
    const double mean = std::accumulate(floor.begin(), floor.end(), 0.0) / 20000;
    // 400 independent medians of 49 bins: 1 % at most. A median is biased by 1/49 of its own; the
    // cube-root law is good to 1.5 % for single spectra.
    CHECK(within(mean, 1, 0.045));
  }
}

TEST_CASE("the floor follows a slope and passes lines over") {
  auto power = noise_spectrum(4000, 30, 2);
  for (std::size_t m = 0; m < power.size(); ++m) {
    power[m] *= 1e6 / std::pow(static_cast<double>(m) + 10, 2);
  }
  for (std::size_t m = 1000; m < 1009; ++m) power[m] *= 1e5;
  const auto floor = spectral_floor(power, 4, 24, 30);
  for (const std::size_t m : {60u, 300u, 1004u, 3000u}) {
    const double expected = 1e6 / std::pow(static_cast<double>(m) + 10, 2);
    CHECK(within(floor[m] / expected, 1, 0.15));  // 49 bins of 30 spectra: 3 %, five of those
  }
}

TEST_CASE("bins of noise pass the threshold as rarely as stated") {
  for (const int blocks : {1, 3, 9}) {
    CAPTURE(blocks);
    const auto power = noise_spectrum(400000, blocks, 3);
    const double threshold = line_threshold(blocks, 1e-3);
    double above = 0;
    for (const double p : power) above += p > threshold ? 1 : 0;
    // 400 expected, 20 their standard deviation; the approximation may be on the safe side.
    CHECK(above < 480);
    CHECK(above > 200);
  }
  CHECK(line_threshold(1000, 1e-3) == 2);
}

TEST_CASE("a line is found at its centre with its power, the edge of a band is no line") {
  auto power = noise_spectrum(1000, 20, 4);
  for (std::size_t m = 0; m < 500; ++m) power[m] *= 1e6;  // a band that ends at bin 500
  const double lobe[] = {0.1, 1, 3, 4, 3, 1, 0.1};
  for (std::size_t i = 0; i < 7; ++i) power[700 + i] += 100 * lobe[i];
  const auto floor = spectral_floor(power, 4, 24, 20);
  const auto lines = find_lines(power, floor, 20, 990, 4, line_threshold(20, 1e-6), 20);
  REQUIRE(lines.size() == 1);
  CHECK(within(lines[0].bin, 703, 0.05));
  CHECK(within(lines[0].mean_square, 1220, 12));
}

TEST_CASE("a first bin beyond the spectrum is refused") {
  const std::vector<double> power(10, 1.0);
  CHECK_THROWS_AS((void)spectral_floor(power, 10, 4, 1), std::invalid_argument);
}
