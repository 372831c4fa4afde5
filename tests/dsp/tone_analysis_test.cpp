// dsp/tone_analysis.h on tones of known content: exact levels, floors, noise by theory, drift.
#include "dsp/tone_analysis.h"

#include <doctest/doctest.h>

#include <cmath>
#include <random>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/phase.h"
#include "within.h"

using namespace sinewright;

namespace {

double db(double ratio) { return 20 * std::log10(ratio); }

ToneChannel analyzed(const std::vector<double>& x, SampleRate fs, double guess_hz,
                     const ToneSettings& settings = {}) {
  const auto result = analyze_tone(x, fs, std::span(&guess_hz, 1), settings);
  REQUIRE(result.has_value());
  return result->channels[0];
}

std::vector<double> sine(double duration_s, SampleRate fs, double frequency_hz, double rms,
                         double phase_rad = 0.3) {
  std::vector<double> x(static_cast<std::size_t>(std::lround(duration_s * fs.hz)));
  add_line(x, fs, {frequency_hz, rms, phase_rad});
  return x;
}

}  // namespace

TEST_CASE("a pure sine leaves -240 dB in the spectrum and -170 dB behind the notch") {
  for (const double rate_hz : {8000.0, 48000.0, 192000.0}) {
    for (const double frequency_hz : {20.0, 997.0, 0.41 * rate_hz}) {
      for (const double duration_s : {0.3, 1.0, 2.37}) {
        if (rate_hz > 48000 && duration_s > 1) continue;
        const SampleRate fs{rate_hz};
        CAPTURE(rate_hz);
        CAPTURE(frequency_hz);
        CAPTURE(duration_s);
        ToneSettings settings;
        settings.band = {20, std::min(20000.0, 0.45 * rate_hz)};
        const auto x = sine(duration_s, fs, frequency_hz, 0.5);
        const double bin_hz = 1 / std::min(duration_s, 1.0);
        const auto channel = analyzed(x, fs, frequency_hz + 0.2 * bin_hz, settings);
        CHECK(db(channel.thd_n) < -240);
        CHECK(db(channel.notch_thd_n) < -170);
        CHECK(within(channel.fundamental_rms, 0.5, 1e-11));
        CHECK(within(channel.frequency_hz, frequency_hz, 1e-8));
        CHECK(channel.has_tone);
        CHECK(!channel.paths_disagree);
      }
    }
  }
}

TEST_CASE("harmonics of any level come out within 0.02 dB and with their phase") {
  std::mt19937_64 random(21);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * (static_cast<double>(random() >> 11) * 0x1p-53);
  };
  for (int i = 0; i < 24; ++i) {
    const double rates_hz[] = {44100, 48000, 96000};
    const SampleRate fs{rates_hz[random() % 3]};
    const double frequency_hz = 20 * std::pow(6000.0 / 20, uniform(0, 1));
    const double phase_rad = uniform(-3, 3);
    const double level = std::pow(10.0, uniform(-3, -0.4));
    auto x = sine(uniform(0.3, 2.2), fs, frequency_hz, level, phase_rad);
    struct Known {
      int order;
      double ratio, phase_rad;
    };
    std::vector<Known> known;
    double power = 0;
    for (const int order : {2, 3}) {
      known.push_back({order, std::pow(10.0, uniform(-6, -1)), uniform(-3, 3)});
      const Known& k = known.back();
      add_line(x, fs, {order * frequency_hz, level * k.ratio, k.phase_rad + order * phase_rad});
      power += k.ratio * k.ratio;
    }
    CAPTURE(fs.hz);
    CAPTURE(frequency_hz);
    const auto channel = analyzed(x, fs, frequency_hz);
    REQUIRE(channel.thd.has_value());
    CHECK(within(db(*channel.thd / std::sqrt(power)), 0, 0.02));
    CHECK(within(db(channel.thd_n / std::sqrt(power / (1 + power))), 0, 0.02));
    CHECK(within(db(channel.fundamental_rms / level), 0, 1e-5));
    CHECK(within(db(channel.level_rms / (level * std::sqrt(1 + power))), 0, 1e-4));
    CHECK(!channel.paths_disagree);
    for (const Known& k : known) {
      const auto& found = channel.harmonics[static_cast<std::size_t>(k.order - 2)];
      CHECK(found.order == k.order);
      CHECK(within(db(std::abs(found.ratio) / k.ratio), 0, 0.02));
      CHECK(within(std::remainder(std::arg(found.ratio) - k.phase_rad, kTwoPi), 0, 0.003));
    }
  }
}

TEST_CASE("noise beside a tone reads its power in the band; both paths agree") {
  const SampleRate fs{48000};
  for (const double snr_db : {20.0, 60.0, 100.0}) {
    CAPTURE(snr_db);
    auto x = sine(3, fs, 997, 0.5);
    std::vector<double> noise(x.size());
    add_noise(noise, 0.5 * std::pow(10.0, -snr_db / 20), 8);
    for (std::size_t i = 0; i < x.size(); ++i) x[i] += noise[i];
    const auto channel = analyzed(x, fs, 997);
    const double in_band = (20060 - 19.94) / 24000;
    const double ratio = rms_of(noise) * std::sqrt(in_band) / 0.5;
    // Three blocks under a window: (1.9 / 60000)^0.5 / 2 = 0.3 %, four of those.
    CHECK(within(db(channel.thd_n / (ratio / std::sqrt(1 + ratio * ratio))), 0, 0.1));
    CHECK(within(channel.thd_n_deviation, std::sqrt(1.9 / 60000) / 2, 0.0005));
    CHECK(!channel.paths_disagree);
    CHECK(within(db(channel.notch_thd_n / channel.notch_thd_n_predicted), 0, 0.1));
    CHECK((!channel.thd.has_value() || *channel.thd < 0.1 * ratio));
    // Level: relative deviation of the tone's RMS is 1 / sqrt(2 N SNR).
    const double sd = std::pow(10.0, -snr_db / 20) / std::sqrt(static_cast<double>(x.size()));
    CHECK(within(channel.fundamental_rms / 0.5, 1, 4 * sd));
    CHECK(within(channel.level_deviation / sd, 1, 0.15));
  }
}

TEST_CASE("the scatter of the blocks is that about a straight line") {
  const SampleRate fs{48000};
  constexpr std::size_t kBlock = 24000;
  const auto spread_of = [&](double step, double drift) {
    auto x = sine(4, fs, 997, 0.5);  // eight blocks
    for (std::size_t i = 0; i < x.size(); ++i) {
      const double sign = i / kBlock % 2 == 0 ? 1 : -1;
      x[i] *= (1 + sign * step) * std::exp(drift * static_cast<double>(i) / fs.hz);
    }
    const auto channel = analyzed(x, fs, 997);
    CHECK(channel.level_blocks == 8);
    return channel.level_spread;
  };
  // Blocks of +d and -d in turn; the first three overlap by halves, so the second reads 0.
  const double d = 1e-5;
  const std::vector<double> start = {0, 0.5, 1, 2, 3, 4, 5, 6, 7};
  const std::vector<double> level = {1, 0, -1, 1, -1, 1, -1, 1, -1};
  const std::vector<double> weight = {1, 0.5, 0.5, 1, 1, 1, 1, 1, 1};
  double mean_x = 0, mean_y = 0, sxx = 0, sxy = 0, syy = 0;
  for (std::size_t i = 0; i < 9; ++i) {
    mean_x += weight[i] * start[i] / 8;
    mean_y += weight[i] * level[i] / 8;
  }
  for (std::size_t i = 0; i < 9; ++i) {
    sxx += weight[i] * std::pow(start[i] - mean_x, 2);
    sxy += weight[i] * (start[i] - mean_x) * (level[i] - mean_y);
    syy += weight[i] * std::pow(level[i] - mean_y, 2);
  }
  // About the line six degrees of freedom are left.
  const double expected = d * std::sqrt((syy - sxy * sxy / sxx) / 6 / 8);
  CHECK(within(spread_of(d, 0), expected, 1e-9));
  CHECK(spread_of(0, 1e-3) < 1e-7);  // a steady drift in dB is no scatter
  CHECK(within(spread_of(d, 1e-3), expected, 1e-7));
}

TEST_CASE("in white noise the blocks scatter as the noise beside the tone says") {
  const SampleRate fs{8000};
  ToneSettings settings;
  settings.band = {20, 3600};
  double squares = 0;
  double stated = 0;
  constexpr int kRecords = 100;
  for (int i = 0; i < kRecords; ++i) {
    auto x = sine(5, fs, 433.21, 0.5, 0.1 * i);
    add_noise(x, 0.05, static_cast<std::uint64_t>(i) + 7);
    const auto channel = analyzed(x, fs, 433.5, settings);
    squares += std::pow(channel.level_spread, 2) / kRecords;
    stated += std::pow(channel.level_deviation, 2) / kRecords;
  }
  // 800 degrees of freedom: 3.5 % of an rms ratio's square root is 2.5 %, four of those.
  CHECK(within(std::sqrt(squares / stated), 1, 0.1));
}

TEST_CASE("a single block has no scatter") {
  CHECK(analyzed(sine(0.5, {48000}, 997, 0.5), {48000}, 997).level_spread == 0);
}

TEST_CASE("frequency is within 3 dB of the Cramér-Rao bound, over one block and several") {
  const SampleRate fs{8000};
  ToneSettings settings;
  settings.band = {20, 3600};
  settings.longest_block_s = 0.25;
  for (const double duration_s : {0.25, 1.0}) {
    CAPTURE(duration_s);
    constexpr int kRecords = 200;
    double squares = 0;
    double level_squares = 0;
    double stated = 0;
    const double noise = 0.05;  // SNR 20 dB
    double n = 0;
    for (int i = 0; i < kRecords; ++i) {
      auto x = sine(duration_s, fs, 433.21, 0.5, 0.1 * i);
      add_noise(x, noise, static_cast<std::uint64_t>(i) + 77);
      const auto channel = analyzed(x, fs, 433.5, settings);
      squares += std::pow(channel.frequency_hz - 433.21, 2) / kRecords;
      level_squares += std::pow(channel.fundamental_rms / 0.5 - 1, 2) / kRecords;
      stated += channel.frequency_deviation_hz / kRecords;
      n = static_cast<double>(x.size());
    }
    const double eta = 100;
    const double bound = 12 / (eta * n * (n * n - 1)) * std::pow(fs.hz / kTwoPi, 2);
    CAPTURE(squares / bound);
    CHECK(squares < 2 * bound);
    CHECK(squares > 0.6 * bound);  // 200 records scatter by 10 %
    CHECK(within(stated * stated / squares, 1, 0.45));
    CHECK(within(level_squares * eta * n, 1, 0.45));
  }
}

TEST_CASE("level is within 0.0005 dB at 45 dB SNR in a second") {
  const SampleRate fs{48000};
  auto x = sine(1, fs, 997, 0.5);
  add_noise(x, 0.5 * std::pow(10.0, -45.0 / 20), 4);
  // Standard deviation 0.0056 / sqrt(48000) = 0.00022 dB: a fixed seed within two of these.
  CHECK(within(db(analyzed(x, fs, 997).fundamental_rms / 0.5), 0, 0.0005));
}

TEST_CASE("a sine rounded with triangular dither reads the noise that theory gives it") {
  // Rounding and two uniform dithers of one step each: step^2 / 4, white.
  const SampleRate fs{48000};
  for (const int bits : {16, 24}) {
    CAPTURE(bits);
    const double step = std::pow(2.0, 1 - bits);
    auto x = sine(2, fs, 997, 0.5);
    std::mt19937_64 random(9);
    const auto uniform = [&] { return static_cast<double>(random() >> 11) * 0x1p-53; };
    for (double& value : x) {
      const double dither = uniform() - uniform();
      value = std::round(value / step + dither) * step;
    }
    const double in_band = std::sqrt((20060 - 19.94) / 24000);
    const auto channel = analyzed(x, fs, 997);
    CHECK(within(db(channel.thd_n / (step / 2 * in_band / 0.5)), 0, 0.1));
    CHECK(!channel.paths_disagree);
  }
}

TEST_CASE("a drifting tone leaves -170 dB") {
  const SampleRate fs{48000};
  std::vector<double> x(5 * 48000);
  const std::uint64_t step = phase_step({997}, fs);
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double t = static_cast<double>(i) / fs.hz;
    const double gain = std::pow(10.0, 0.01 * t / 20);
    // 10 ppb/s: phase pi f r t^2.
    x[i] = 0.5 * gain *
           (unit_phasor(step * i) * std::polar(1.0, std::numbers::pi * 997e-8 * t * t)).real();
  }
  const auto channel = analyzed(x, fs, 997);
  CHECK(db(channel.thd_n) < -170);
  CHECK(within(channel.level_drift_db_per_s, 0.01, 1e-5));
  CHECK(within(channel.frequency_drift_hz_per_s, 997e-8, 1e-7));
}

TEST_CASE("slow modulation of the level is distortion, at its sidebands' power") {
  const SampleRate fs{48000};
  // 1 % at 100 Hz: two sidebands of 0.5 %.
  std::vector<double> x(2 * 48000);
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double t = static_cast<double>(i) / fs.hz;
    x[i] = 0.5 * (1 + 0.01 * std::cos(kTwoPi * 100 * t)) * std::cos(kTwoPi * 997 * t);
  }
  const auto channel = analyzed(x, fs, 997);
  CHECK(within(db(channel.thd_n / (0.01 / std::sqrt(2.0))), 0, 0.01));
  CHECK(!channel.paths_disagree);
}

TEST_CASE("two channels: their own levels, the phase between them, and a silent one") {
  const SampleRate fs{48000};
  const auto left = sine(1.3, fs, 997, 0.5, 0.2);
  const auto right = sine(1.3, fs, 997, 0.1, 0.2 + 0.5);
  for (const bool is_silent : {false, true}) {
    std::vector<double> both;
    for (std::size_t i = 0; i < left.size(); ++i) {
      both.insert(both.end(), {left[i], is_silent ? 0.0 : right[i]});
    }
    const double guesses[] = {997, 997};
    const auto result = analyze_tone(both, fs, guesses, {});
    REQUIRE(result.has_value());
    CHECK(within(result->channels[0].fundamental_rms, 0.5, 1e-11));
    CHECK(result->channels[1].has_tone == !is_silent);
    if (is_silent) {
      CHECK(result->channels[1].level_rms < 1e-15);  // what the shared transform rounds
      continue;
    }
    CHECK(within(result->channels[1].fundamental_rms, 0.1, 1e-11));
    REQUIRE(result->pair.has_value());
    CHECK(within(result->pair->phase_deg, 0.5 * 360 / kTwoPi, 1e-8));
  }
}

TEST_CASE("without a tone there is none") {
  std::vector<double> x(48000);
  add_noise(x, 0.1, 6);
  CHECK(!analyzed(x, {48000}, 997).has_tone);
}

TEST_CASE("too short a stretch is refused") {
  const double guess_hz = 100;
  const auto x = sine(0.04, {48000}, guess_hz, 0.5);  // 4 periods
  CHECK(!analyze_tone(x, {48000}, std::span(&guess_hz, 1), {}).has_value());
  CHECK(!analyze_tone({}, {48000}, std::span(&guess_hz, 1), {}).has_value());
  const auto plan = make_tone_plan({48000}, 4800, {});
  const double low_hz = 20;
  CHECK_THROWS_AS(ToneAnalyzer(plan, std::span(&low_hz, 1)), std::invalid_argument);
  const double three[] = {1000, 1000, 1000};
  CHECK_THROWS_AS(ToneAnalyzer(plan, three), std::invalid_argument);
}
