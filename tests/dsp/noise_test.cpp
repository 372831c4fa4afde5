// dsp/noise.h: level, slope and independence, against the statistics of Gaussian noise.
#include "dsp/noise.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>
#include <vector>

#include "within.h"

using namespace sinewright;

namespace {

struct Statistics {
  double left_rms, right_rms, correlation;
};

Statistics statistics_of(const std::vector<double>& frames) {
  double left = 0, right = 0, both = 0;
  for (std::size_t i = 0; i < frames.size(); i += 2) {
    left += frames[i] * frames[i];
    right += frames[i + 1] * frames[i + 1];
    both += frames[i] * frames[i + 1];
  }
  const double n = static_cast<double>(frames.size()) / 2;
  return {std::sqrt(left / n), std::sqrt(right / n), both / std::sqrt(left * right)};
}

/// Power of `samples` in `count` octaves from `lowest_hz` up, from one transform over all of them.
std::vector<double> octave_powers(const std::vector<double>& samples, double fs_hz,
                                  double lowest_hz, std::size_t count) {
  std::vector<std::complex<double>> spectrum(samples.size() / 2 + 1);
  RealFft(samples.size()).transform(samples, spectrum);
  std::vector<double> powers(count);
  for (std::size_t k = 1; k < spectrum.size(); ++k) {
    const double f = static_cast<double>(k) * fs_hz / static_cast<double>(samples.size());
    const double octave = std::floor(std::log2(f / lowest_hz));
    if (octave >= 0 && octave < static_cast<double>(count)) {
      powers[static_cast<std::size_t>(octave)] += std::norm(spectrum[k]);
    }
  }
  return powers;
}

}  // namespace

TEST_CASE("white noise has its RMS, and its channels are independent") {
  WhiteNoise noise(0.1, 3);
  std::vector<double> frames(2 * 200000);
  noise.fill(frames, 2);
  const Statistics s = statistics_of(frames);
  // The RMS of N values varies by 1/sqrt(2N) = 0.16 %, the correlation by 1/sqrt(N): 4 sd each.
  CHECK(within(s.left_rms, 0.1, 0.00064));
  CHECK(within(s.right_rms, 0.1, 0.00064));
  CHECK(within(s.correlation, 0, 0.009));
}

TEST_CASE("noise repeats with its seed") {
  std::vector<double> a(64), b(64), c(64);
  WhiteNoise(1, 5).fill(a, 2);
  WhiteNoise(1, 5).fill(b, 2);
  WhiteNoise(1, 6).fill(c, 2);
  CHECK(a == b);
  CHECK(a != c);
}

TEST_CASE("pink noise has equal power in every octave") {
  const double fs_hz = 48000;
  PinkNoise noise(SampleRate{fs_hz}, 0.1, 11);
  std::vector<double> samples(std::size_t{1} << 21);  // 43.7 s
  noise.fill(samples, 1);
  // 20 Hz to 20.48 kHz. An octave of B Hz varies by 4.34 / sqrt(B T) dB: 0.15 dB at the lowest.
  const auto powers = octave_powers(samples, fs_hz, 20, 10);
  double mean_db = 0;
  for (const double power : powers) mean_db += db_of_power_ratio(power) / 10;
  double slope = 0;
  for (std::size_t i = 0; i < powers.size(); ++i) {
    CAPTURE(i);
    const double deviation_db = db_of_power_ratio(powers[i]) - mean_db;
    const double sd_db = 4.34 / std::sqrt(20 * std::exp2(i) * 43.7);
    CHECK(within(deviation_db, 0, 0.08 + 3 * sd_db));
    slope += deviation_db * (static_cast<double>(i) - 4.5) / 82.5;
  }
  // Power per octave constant is -3.01 dB per octave in density. 0.03: three sd of the fit.
  CHECK(within(slope, 0, 0.03));
}

TEST_CASE("pink noise has its RMS, and its channels are independent") {
  PinkNoise noise(SampleRate{44100}, 0.1, 12);
  std::vector<double> frames(2 * 44100 * 30);
  noise.fill(frames, 2);
  const Statistics s = statistics_of(frames);
  // Eleven octaves of equal power, the lowest of them 10 Hz wide: their sum varies by about
  // 0.7 % in 30 s.
  CHECK(within(s.left_rms, 0.1, 0.002));
  CHECK(within(s.right_rms, 0.1, 0.002));
  CHECK(within(s.correlation, 0, 0.04));
}

TEST_CASE("noise does not depend on how it is portioned, and refuses a change of channels") {
  PinkNoise whole(SampleRate{8000}, 1, 4), portions(SampleRate{8000}, 1, 4);
  std::vector<double> a(2 * 20000), b(2 * 20000);
  whole.fill(a, 2);
  for (std::size_t from = 0; from < b.size(); from += 2 * 2500) {
    portions.fill(std::span(b).subspan(from, 2 * 2500), 2);
  }
  CHECK(a == b);
  CHECK_THROWS_AS(portions.fill(b, 1), std::invalid_argument);
  CHECK_THROWS_AS(WhiteNoise(-1, 1), std::invalid_argument);
  CHECK_THROWS_AS(PinkNoise(SampleRate{0}, 1, 1), std::invalid_argument);
}
