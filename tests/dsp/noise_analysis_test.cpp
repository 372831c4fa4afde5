// dsp/noise_analysis.h on noise and hum made to measure.
#include "dsp/noise_analysis.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/weighting.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr SampleRate kRate{8000};  // low, to be quick; the band is chosen to fit

NoiseSettings quick_settings() {
  NoiseSettings settings;
  settings.band = {20, 3600};
  settings.quasi_peak = false;
  return settings;
}

std::vector<double> silence(double duration_s, SampleRate fs = kRate) {
  return std::vector<double>(static_cast<std::size_t>(std::lround(duration_s * fs.hz)), 0.0);
}

NoiseAnalysis analyzed(std::span<const double> samples, int channels = 1,
                       const NoiseSettings& settings = quick_settings(), SampleRate fs = kRate) {
  NoiseAnalyzer analyzer(fs, channels, settings);
  analyzer.push(samples);
  const auto result = analyzer.result();
  REQUIRE(result.has_value());
  return *result;
}

const HumLine& line_of(const NoiseChannel& channel, int order) {
  REQUIRE(static_cast<int>(channel.hum_lines.size()) >= order);
  return channel.hum_lines[static_cast<std::size_t>(order - 1)];
}

}  // namespace

TEST_CASE("white noise reads its own power in the band, and weighted as the gains say") {
  auto x = silence(20, {48000});
  add_noise(x, 0.01, 1);
  NoiseSettings settings;
  settings.quasi_peak = true;
  const auto result = analyzed(x, 1, settings, {48000});
  const NoiseChannel& channel = result.channels[0];
  const double band_hz = 20000 * 1.003 - 20 * 0.997;
  const double expected = 0.01 * std::sqrt(band_hz / 24000);
  // Relative standard deviation 1 / (2 sqrt(B T)) = 0.0008; four of them.
  CHECK(within(channel.noise_rms / expected, 1, 0.0032));
  CHECK(within(channel.noise_deviation, 0.0008, 0.0003));
  CHECK(within(channel.broadband_rms / expected, 1, 0.0032));
  double a = 0;
  double itu_468 = 0;
  for (double f = 20; f < 20060; ++f) {
    a += std::pow(a_weighting_gain({f}), 2) / 24000;
    itu_468 += std::pow(itu_r_468_gain({f}), 2) / 24000;
  }
  CHECK(within(channel.noise_a_rms / (0.01 * std::sqrt(a)), 1, 0.005));
  CHECK(within(channel.noise_468_rms / (0.01 * std::sqrt(itu_468)), 1, 0.006));
  // From memory: for noise the quasi-peak meter reads some 4 to 5 dB above RMS.
  REQUIRE(channel.noise_468_quasi_peak.has_value());
  const double ratio = *channel.noise_468_quasi_peak / channel.noise_468_rms;
  CHECK(within(20 * std::log10(ratio), 4.5, 1.5));
  CHECK(!result.mains.has_value());
  CHECK(result.mains_search == MainsSearch::kNotFound);
  CHECK(channel.other_lines.empty());
}

TEST_CASE("lines of the mains family come out at their level and frequency") {
  // SNR of the strongest line 40 dB and more against the noise in the whole band.
  const double mains_hz = 49.983;
  const std::vector<TestLine> lines = {{mains_hz, 1e-3, 0.3},
                                       {2 * mains_hz, 3e-4, 1.0},
                                       {3 * mains_hz, 5e-4, -2.0},
                                       {7 * mains_hz, 1e-4, 0.1},
                                       {20 * mains_hz, 1e-4, 2.2}};
  auto x = silence(5);
  for (double& value : x) value = 0.25;  // an offset
  for (const TestLine& line : lines) add_line(x, kRate, line);
  add_noise(x, 1e-6, 2);
  const auto result = analyzed(x);
  REQUIRE(result.mains.has_value());
  // Bound for the third harmonic 94 dB above the noise of a bin: microhertz.
  CHECK(within(result.mains->frequency_hz, mains_hz, 2e-5));
  const NoiseChannel& channel = result.channels[0];
  CHECK(within(channel.offset, 0.25, 3e-5));  // the lines' own mean over 5 s
  double power = 0;
  for (const TestLine& line : lines) {
    const int order = static_cast<int>(std::lround(line.frequency_hz / mains_hz));
    CAPTURE(order);
    const HumLine& found = line_of(channel, order);
    CHECK(found.above_noise);
    CHECK(within(20 * std::log10(found.rms / line.rms), 0, 0.01));
    // Relative to the first line's own phase at its peak.
    const double expected = line.phase_rad - order * lines[0].phase_rad;
    REQUIRE(found.phase_deg.has_value());
    const double apart = std::remainder(*found.phase_deg * kTwoPi / 360 - expected, kTwoPi);
    CHECK(within(apart, 0, 0.02));
    power += line.rms * line.rms;
  }
  CHECK(within(20 * std::log10(channel.hum_rms / std::sqrt(power)), 0, 0.01));
  // 1e-6 in 3611 - 19.9 of 4000 Hz; floors under 5 lines are estimates.
  CHECK(within(channel.broadband_rms / (1e-6 * std::sqrt(3590.9 / 4000)), 1, 0.02));
}

TEST_CASE("mains frequency is within a few millihertz for a line 40 dB above the noise of 1 Hz") {
  // Bound for one line of power P in noise of density d over T: sd = sqrt(6 d / P / T^3) / (2 pi).
  const double bound_hz = std::sqrt(6 * 1e-4 / std::pow(5, 3)) / kTwoPi;
  double squares = 0;
  constexpr int kRecords = 80;
  for (int i = 0; i < kRecords; ++i) {
    auto x = silence(5);
    add_line(x, kRate, {50.037, 1e-3, 0.37 * i});
    add_noise(x, 1e-3 * std::sqrt(1e-4 * 4000), 100 + static_cast<std::uint64_t>(i));
    const auto result = analyzed(x);
    REQUIRE(result.mains.has_value());
    squares += std::pow(result.mains->frequency_hz - 50.037, 2);
    CHECK(within(result.mains->deviation_hz / bound_hz, 1.39, 0.6));  // the floor is estimated
  }
  const double sd = std::sqrt(squares / kRecords);
  CAPTURE(sd);
  // Eight blocks half a block apart come to 1.39 times the bound; the estimate of sd from 80
  // records is good to 8 %, three of which leave 1.72.
  CHECK(sd < 1.72 * bound_hz);
}

TEST_CASE("the family's fundamental is found whatever lines are there") {
  struct Case {
    const char* what;
    double mains_hz;
    std::vector<int> orders;
  };
  const std::vector<Case> cases = {
      {"full-wave ripple at 100.06 Hz", 50.03, {2, 4, 6, 8}},
      {"full-wave ripple of 60 Hz mains", 59.98, {2, 4, 6}},
      {"only the second", 49.96, {2}},
      {"only the third of 50 Hz", 50.02, {3}},
      {"only the third of 60 Hz, which is also the fourth of 45", 60.02, {3}},
      {"only the first", 47.3, {1}},
      {"odd lines", 60.01, {1, 3, 5, 7, 9}},
      {"first and a far one", 62.7, {1, 11}},
      {"all", 45.9, {1, 2, 3, 4, 5, 6, 7, 8, 9, 10}},
  };
  std::uint64_t seed = 7;
  for (const Case& c : cases) {
    for (const double duration_s : {0.5, 0.8, 1.3, 6.0}) {
      CAPTURE(c.what);
      CAPTURE(duration_s);
      auto x = silence(duration_s);
      for (const int order : c.orders) add_line(x, kRate, {order * c.mains_hz, 1e-3, 0.7 * order});
      add_noise(x, 1e-4, seed++);
      const auto result = analyzed(x);
      REQUIRE(result.mains.has_value());
      // Five standard deviations as the result itself states them.
      CHECK(within(result.mains->frequency_hz, c.mains_hz, 1e-4 + 5 * result.mains->deviation_hz));
      CHECK(result.mains->deviation_hz < 0.05);
      for (const int order : c.orders) {
        CHECK(within(20 * std::log10(line_of(result.channels[0], order).rms / 1e-3), 0, 0.1));
      }
    }
  }
}

TEST_CASE("tones that are no mains are listed as other lines, and mains is not made of them") {
  for (const std::vector<double>& tones :
       {std::vector<double>{1000.0}, {997.0}, {300.0, 600.0, 900.0}, {440.0}, {1000.0, 2000.0}}) {
    CAPTURE(tones.front());
    auto x = silence(3);
    for (const double tone_hz : tones) add_line(x, kRate, {tone_hz, 0.01});
    add_noise(x, 1e-4, 31);
    const auto result = analyzed(x);
    CHECK(!result.mains.has_value());
    REQUIRE(result.channels[0].other_lines.size() == tones.size());
    for (const OtherLine& line : result.channels[0].other_lines) {
      CHECK(within(20 * std::log10(line.rms / 0.01), 0, 0.01));
    }
    CHECK(within(result.channels[0].broadband_rms / 1e-4, std::sqrt(3591.0 / 4000), 0.03));
  }
  // Beside hum, the tone is an other line too.
  auto x = silence(3);
  add_line(x, kRate, {997, 0.01});
  add_line(x, kRate, {50.02, 0.001});
  add_noise(x, 1e-5, 32);
  const auto result = analyzed(x);
  REQUIRE(result.mains.has_value());
  CHECK(within(result.mains->frequency_hz, 50.02, 1e-3));
  REQUIRE(result.channels[0].other_lines.size() == 1);
  CHECK(within(result.channels[0].other_lines[0].frequency_hz, 997, 0.02));
}

TEST_CASE("noise alone raises the alarm for mains in one search of a thousand at the most") {
  int alarms = 0;
  constexpr int kRecords = 300;
  for (int i = 0; i < kRecords; ++i) {
    auto x = silence(i % 2 == 0 ? 0.6 : 2.0, {2000});
    add_noise(x, 1e-3, 1000 + static_cast<std::uint64_t>(i));
    NoiseSettings settings = quick_settings();
    settings.band = {20, 900};
    alarms += analyzed(x, 1, settings, {2000}).mains.has_value() ? 1 : 0;
  }
  // Expected 0.3 at the most; more than 3 has a probability of 3e-4.
  CHECK(alarms <= 3);
}

TEST_CASE("slow drift of the mains costs no level") {
  // 0.02 Hz in 24 s, a hundred times as fast as the grid's usual wander, out to order 20.
  auto x = silence(24);
  const double drift_hz_per_s = 0.02 / 24;
  for (std::size_t n = 0; n < x.size(); ++n) {
    const double t = static_cast<double>(n) / kRate.hz;
    const double turns = 49.99 * t + drift_hz_per_s * t * t / 2;
    for (const int order : {1, 2, 5, 20}) x[n] += 1e-3 * std::cos(kTwoPi * order * turns);
  }
  add_noise(x, 1e-5, 5);
  const auto result = analyzed(x);
  REQUIRE(result.mains.has_value());
  CHECK(within(result.mains->frequency_hz, 50.0, 1e-3));
  CHECK(within(result.mains->lowest_hz, 49.99 + drift_hz_per_s * 2.25, 5e-4));
  for (const int order : {1, 2, 5, 20}) {
    CHECK(within(20 * std::log10(line_of(result.channels[0], order).rms * std::sqrt(2.0) / 1e-3), 0,
                 0.01));
  }
}

TEST_CASE("the bias of the noise is taken off weak lines") {
  // A line 3 dB below the noise of a bin, averaged over records: power must come out unbiased.
  double sum = 0;
  constexpr int kRecords = 60;
  NoiseSettings settings = quick_settings();
  settings.mains_hz = 50;
  settings.band = {20, 900};
  settings.highest_hum_hz = 300;
  const double line_rms = 1e-3 * std::sqrt(4.0 / 1000);
  for (int i = 0; i < kRecords; ++i) {
    auto x = silence(4, {2000});
    add_line(x, {2000}, {50, 1e-2});
    add_line(x, {2000}, {150, line_rms});
    add_noise(x, 1e-3, 500 + static_cast<std::uint64_t>(i));
    const auto result = analyzed(x, 1, settings, {2000});
    sum += std::pow(line_of(result.channels[0], 3).rms, 2);
  }
  // One record's power scatters by about 40 %; a bias of the nine bins' noise would be 2.2.
  CHECK(within(sum / kRecords / (line_rms * line_rms), 1, 0.25));
}

TEST_CASE("two channels are told apart, and the one that hums gives the frequency to both") {
  std::vector<double> left = silence(3);
  std::vector<double> right = silence(3);
  add_line(left, kRate, {60.03, 1e-3});
  add_noise(left, 1e-5, 61);
  add_noise(right, 3e-4, 62);
  std::vector<double> both;
  for (std::size_t n = 0; n < left.size(); ++n) {
    both.push_back(left[n]);
    both.push_back(right[n]);
  }
  const auto result = analyzed(both, 2);
  REQUIRE(result.mains.has_value());
  CHECK(within(result.mains->frequency_hz, 60.03, 1e-3));
  CHECK(within(20 * std::log10(result.channels[0].hum_rms / 1e-3), 0, 0.01));
  CHECK(result.channels[1].hum_rms < 3e-5);
  CHECK(within(result.channels[1].noise_rms / 3e-4, std::sqrt(3591.0 / 4000), 0.02));
}

TEST_CASE("what comes out does not depend on the pieces that were pushed") {
  auto x = silence(3);
  add_line(x, kRate, {50, 1e-3});
  add_noise(x, 1e-4, 9);
  NoiseAnalyzer pieces(kRate, 1, quick_settings());
  std::size_t at = 0;
  for (std::size_t size = 1; at < x.size(); size = size * 3 % 4099 + 1) {
    const std::size_t count = std::min(size, x.size() - at);
    pieces.push(std::span(x).subspan(at, count));
    at += count;
  }
  const auto whole = analyzed(x);
  const auto result = pieces.result();
  REQUIRE(result.has_value());
  CHECK(result->channels[0].noise_rms == whole.channels[0].noise_rms);
  CHECK(result->mains->frequency_hz == whole.mains->frequency_hz);
}

TEST_CASE("records too short are refused, and silence has levels of 0") {
  NoiseAnalyzer analyzer(kRate, 1, quick_settings());
  analyzer.push(silence(0.24));
  CHECK(!analyzer.result().has_value());
  analyzer.push(silence(0.06));
  const auto brief = analyzer.result();
  REQUIRE(brief.has_value());
  CHECK(brief->mains_search == MainsSearch::kTooShort);
  CHECK(brief->channels[0].noise_rms == 0);
  analyzer.push(silence(2));
  const auto longer = analyzer.result();
  REQUIRE(longer.has_value());
  CHECK(longer->mains_search == MainsSearch::kNotFound);
  CHECK(longer->channels[0].broadband_rms == 0);
}

TEST_CASE("settings that make no sense are refused") {
  CHECK_THROWS_AS(NoiseAnalyzer(kRate, 3, quick_settings()), std::invalid_argument);
  CHECK_THROWS_AS(NoiseAnalyzer({0}, 1, quick_settings()), std::invalid_argument);
  NoiseSettings settings = quick_settings();
  settings.mains_hz = 400;
  CHECK_THROWS_AS(NoiseAnalyzer(kRate, 1, settings), std::invalid_argument);
  settings = quick_settings();
  settings.band = {5000, 100};
  CHECK_THROWS_AS(NoiseAnalyzer(kRate, 1, settings), std::invalid_argument);
  NoiseAnalyzer stereo(kRate, 2, quick_settings());
  const std::vector<double> odd(3, 0.0);
  CHECK_THROWS_AS(stereo.push(odd), std::invalid_argument);
}
