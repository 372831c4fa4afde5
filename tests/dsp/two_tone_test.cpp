// dsp/two_tone.h on polynomials, whose products follow from trigonometry:
// x = A1 cos(p) + A2 cos(q), y = x + a2 x^2 + a3 x^3 has a2 A1 A2 at p +- q, 3/4 a3 A1^2 A2 at
// 2p +- q, 3/4 a3 A1 A2^2 at p +- 2q, a2 A^2 / 2 at twice and a3 A^3 / 4 at thrice each tone.
#include "dsp/two_tone.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/phase.h"
#include "within.h"

using namespace sinewright;

namespace {

struct Pair {
  double f1_hz, f2_hz;
  double a1, a2;  // peak
  double phase_1 = 0.4, phase_2 = -1.3;
};

std::vector<double> played(const Pair& pair, double second, double third, double duration_s,
                           SampleRate fs) {
  std::vector<double> y(static_cast<std::size_t>(duration_s * fs.hz));
  const std::uint64_t step_1 = phase_step({pair.f1_hz}, fs);
  const std::uint64_t step_2 = phase_step({pair.f2_hz}, fs);
  for (std::size_t n = 0; n < y.size(); ++n) {
    const double x = pair.a1 * unit_phasor(phase_of_radians(pair.phase_1) + step_1 * n).real() +
                     pair.a2 * unit_phasor(phase_of_radians(pair.phase_2) + step_2 * n).real();
    y[n] = x + second * x * x + third * x * x * x;
  }
  return y;
}

const IntermodulationProduct& product(const TwoToneChannel& channel, int k, int m) {
  for (const auto& found : channel.products) {
    if (found.k == k && found.m == m) return found;
  }
  FAIL("no product " << k << " f1 + " << m << " f2");
  return channel.products.front();
}

TwoToneChannel analyzed(const std::vector<double>& x, SampleRate fs, const Pair& pair,
                        const ToneSettings& settings = {}) {
  const auto result = analyze_two_tones(x, fs, 1, {pair.f2_hz}, {pair.f1_hz}, settings);
  REQUIRE(result.has_value());
  REQUIRE(result->channels.size() == 1);
  return result->channels[0];
}

}  // namespace

TEST_CASE("modulation distortion of a polynomial is what trigonometry says") {
  for (const Pair& pair : {Pair{60.3, 7001.7, 0.8, 0.2}, Pair{250.2, 8003.3, 0.4, 0.1}}) {
    for (const double rate_hz : {48000.0, 96000.0}) {
      CAPTURE(pair.f1_hz);
      CAPTURE(rate_hz);
      const double second = 0.01;
      const double third = 0.004;
      const auto channel = analyzed(played(pair, second, third, 2.3, {rate_hz}), {rate_hz}, pair);
      const double u1 =
          pair.a1 + third * 0.75 * std::pow(pair.a1, 3) + third * 1.5 * pair.a1 * pair.a2 * pair.a2;
      const double u2 =
          pair.a2 + third * 0.75 * std::pow(pair.a2, 3) + third * 1.5 * pair.a2 * pair.a1 * pair.a1;
      // The window's side lobes let -93 dB of the harmonics through, which are 1e-3 here.
      CHECK(within(channel.rms_1 * std::sqrt(2.0), u1, 3e-8));
      CHECK(within(channel.rms_2 * std::sqrt(2.0), u2, 3e-8));
      CHECK(within(channel.frequency_1_hz, pair.f1_hz, 1e-8));
      CHECK(within(channel.frequency_2_hz, pair.f2_hz, 1e-8));
      const double sideband_2 = second * pair.a1 * pair.a2;
      const double sideband_3 = third * 0.75 * pair.a1 * pair.a1 * pair.a2;
      for (const int side : {-1, 1}) {
        const auto& near = product(channel, side, 1);
        CHECK(within(near.rms * std::sqrt(2.0) / sideband_2, 1, 1e-6));
        CHECK(within(near.phase_deg, 0, 1e-3));
        CHECK(within(product(channel, 2 * side, 1).rms * std::sqrt(2.0) / sideband_3, 1, 1e-6));
      }
      const double d2 = 2 * sideband_2 / u2;
      const double d3 = 2 * sideband_3 / u2;
      REQUIRE(channel.imd_modulation_2.has_value());
      REQUIRE(channel.imd_modulation_3.has_value());
      REQUIRE(channel.imd_modulation.has_value());
      CHECK(within(channel.imd_modulation_2->ratio, d2, 1e-8));
      CHECK(within(channel.imd_modulation_3->ratio, d3, 1e-8));
      CHECK(within(channel.imd_modulation->ratio, std::hypot(d2, d3), 1e-8));
      CHECK(!channel.imd_difference_2.has_value());
      CHECK(channel.has_tones);
    }
  }
}

TEST_CASE("difference-frequency distortion of a polynomial is what trigonometry says") {
  for (const Pair& pair : {Pair{19000, 20000, 0.4, 0.4}, Pair{8000, 11950, 0.5, 0.5}}) {
    CAPTURE(pair.f1_hz);
    const double second = -0.003;
    const double third = 0.002;
    const SampleRate fs{192000};
    ToneSettings settings;
    settings.band = {20, 80000};
    const auto channel = analyzed(played(pair, second, third, 1.5, fs), fs, pair, settings);
    const double a = pair.a1;
    const double u = a + third * 2.25 * a * a * a;
    const double difference = 0.003 * a * a;
    const double cubic = third * 0.75 * a * a * a;
    REQUIRE(channel.imd_difference_2.has_value());
    REQUIRE(channel.imd_difference_3.has_value());
    REQUIRE(channel.imd_difference_total.has_value());
    CHECK(within(channel.imd_difference_2->ratio, difference / (2 * u), 1e-9));
    CHECK(within(channel.imd_difference_3->ratio, 2 * cubic / (2 * u), 1e-9));
    CHECK(within(channel.imd_difference_total->ratio,
                 std::hypot(difference, cubic) / (channel.level_rms * std::sqrt(2.0)), 1e-9));
    CHECK(!channel.imd_modulation_2.has_value());
    // A negative a2 turns the second-order products over.
    CHECK(within(std::abs(product(channel, -1, 1).phase_deg), 180, 1e-3));
    // All products lie in band: sum, difference, four cubic ones, two second, two third harmonics.
    const double others = 2 * difference * difference + 4 * cubic * cubic +
                          2 * std::pow(difference / 2, 2) + 2 * std::pow(cubic / 3, 2);
    const double residual = std::sqrt(others / (2 * u * u + others));
    CHECK(within(20 * std::log10(channel.imd_residual.ratio / residual), 0, 1e-4));
  }
}

TEST_CASE("two clean tones leave next to nothing") {
  // -200 dB: between them the fits' alternation and the window's side lobes.
  for (const Pair& pair :
       {Pair{60.1, 7003, 0.8, 0.2}, Pair{18999.3, 20000.9, 0.5, 0.5}, Pair{1000, 1020, 0.5, 0.4}}) {
    CAPTURE(pair.f1_hz);
    const auto channel = analyzed(played(pair, 0, 0, 2, {48000}), {48000}, pair);
    CHECK(20 * std::log10(channel.imd_residual.ratio) < -200);
  }
}

TEST_CASE("products near the noise come out without its bias, and say how sure they are") {
  const Pair pair{250, 2000, 0.4, 0.1};
  const SampleRate fs{6000};
  double power = 0;
  double squares = 0;
  double stated = 0;
  constexpr int kRecords = 200;
  const double sideband = 2.5e-4 * pair.a1 * pair.a2 / std::sqrt(2.0);
  for (int i = 0; i < kRecords; ++i) {
    auto x = played(pair, 2.5e-4, 0, 1, fs);
    add_noise(x, 1.5e-4, 40 + static_cast<std::uint64_t>(i));
    const auto channel = analyzed(x, fs, pair);
    const auto& found = product(channel, 1, 1);
    power += found.rms * found.rms / kRecords;
    squares += std::pow(found.rms - sideband, 2) / kRecords;
    stated += found.deviation / kRecords;
    // In 2999 - 20 of 3000 Hz, 5980 bins or so of one block: 1.3 % deviation.
    CHECK(within(channel.noise_rms / 1.5e-4, 1, 0.06));
  }
  // One power scatters by 80 %, their mean by 6 %; the noise's bias would be 29 %.
  CHECK(within(power / (sideband * sideband), 1, 0.2));
  // Stated to first order; this near the noise the root bends, which adds a fifth.
  CHECK(within(std::sqrt(squares) / stated, 1.1, 0.25));
}

TEST_CASE("two channels are measured side by side") {
  const Pair left{60, 7000, 0.4, 0.1};
  const Pair right{60, 7000, 0.004, 0.001, 2.0, 1.0};
  const auto a = played(left, 0.02, 0, 1.2, {48000});
  const auto b = played(right, 3, 0, 1.2, {48000});
  std::vector<double> both;
  for (std::size_t i = 0; i < a.size(); ++i) both.insert(both.end(), {a[i], b[i]});
  const auto result = analyze_two_tones(both, {48000}, 2, {60.2}, {6999.8}, {});
  REQUIRE(result.has_value());
  REQUIRE(result->channels.size() == 2);
  CHECK(within(result->channels[0].imd_modulation_2->ratio, 2 * 0.02 * 0.4, 1e-8));
  CHECK(within(result->channels[1].imd_modulation_2->ratio, 2 * 3 * 0.004, 1e-8));
  CHECK(within(result->channels[1].ratio_db, 20 * std::log10(4.0), 1e-7));
}

TEST_CASE("slow drift of both tones leaves the figures as they are") {
  const SampleRate fs{48000};
  std::vector<double> y(3 * 48000);
  for (std::size_t n = 0; n < y.size(); ++n) {
    const double t = static_cast<double>(n) / fs.hz;
    // 0.01 dB/s, and 10 ppb/s of frequency.
    const double gain = std::pow(10.0, 0.01 * t / 20);
    const double bend = 1e-8 * t / 2;
    const double x = gain * (0.4 * std::cos(kTwoPi * 250 * t * (1 + bend)) +
                             0.1 * std::cos(kTwoPi * 8000 * t * (1 + bend)));
    y[n] = x + 0.001 * x * x;
  }
  const auto channel = analyzed(y, fs, {250, 8000, 0.4, 0.1});
  // d_m2 rises with the level, by 0.03 dB over the record: its mean is that of the middle.
  const double middle = 0.4 * std::pow(10.0, 0.015 / 20);
  CHECK(within(channel.imd_modulation_2->ratio / (2 * 0.001 * middle), 1, 1e-5));
}

TEST_CASE("without tones no distortion is made up") {
  std::vector<double> x(48000);
  add_noise(x, 0.01, 3);
  const auto channel = analyzed(x, {48000}, {60, 7000, 0, 0});
  CHECK(!channel.has_tones);
  CHECK(!channel.imd_modulation_2.has_value());
  CHECK(!channel.imd_difference_2.has_value());
}

TEST_CASE("tones that cannot be told apart are refused") {
  const std::vector<double> x(4800, 0.0);
  CHECK(!analyze_two_tones(x, {48000}, 1, {1000}, {1050}, {}).has_value());
  CHECK(!analyze_two_tones(x, {48000}, 1, {60}, {7000}, {}).has_value());  // 6 periods
  CHECK(!analyze_two_tones({}, {48000}, 1, {60}, {7000}, {}).has_value());
  CHECK_THROWS_AS((void)analyze_two_tones(x, {48000}, 3, {60}, {7000}, {}), std::invalid_argument);
  const auto plan = make_tone_plan({48000}, 4800, {});
  CHECK_THROWS_AS(TwoToneAnalyzer(plan, 1, {1000}, {1050}), std::invalid_argument);
  TwoToneAnalyzer analyzer(plan, 1, {1000}, {7000});
  CHECK_THROWS_AS((void)analyzer.result(), std::logic_error);
  CHECK_THROWS_AS(analyzer.add_block(std::vector<double>(100)), std::invalid_argument);
}
