// Budgets of distortion: what "calibrate show" prints is what a reading carries.
#include "bench/distortion_budget.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <optional>
#include <string>

#include "dsp/units.h"
#include "measure/distortion_limits.h"
#include "report/bench_report.h"
#include "within.h"

namespace sinewright {
namespace {

/// Harmonics of -100 dBc; the second harmonic of 1 kHz comes out 0.1 dB low, the third as it is.
Profile bench() {
  Profile profile;
  Range range{"high", 10, std::nullopt};
  profile.ranges = {range};
  profile.load.resistance_ohm = 8;
  Loopback& loopback = profile.loopback.emplace();
  for (const double frequency_hz : {1000.0, 2000.0, 3000.0}) {
    for (const double level_dbfs : {-40.0, -1.0}) {
      LoopbackTone tone;
      tone.frequency_hz = frequency_hz;
      tone.drive_dbfs = level_dbfs;
      for (LoopbackTone::Channel& channel : tone.channels) {
        channel.level_dbfs = level_dbfs - (frequency_hz == 2000 ? 0.1 : 0);
        channel.noise_dbfs = -110;
        channel.harmonics = {{2, -100, 0}, {3, -100, 0}};
      }
      loopback.tones.push_back(tone);
    }
  }
  return profile;
}

TEST_CASE("a distortion's budget by hand: two arcsines, noise, response") {
  const SoundCardResidual residual(*bench().loopback);
  const OperatingPoint at{1000, -10, std::nullopt};
  const double m = 1e-3 / std::numbers::sqrt2;
  const std::vector<MeasuredHarmonic> harmonics = {{2, m}, {3, m}};
  const Limited thd = limit_thd(harmonics, residual, 0, at);
  const auto budget = distortion_budget(thd, harmonics, residual, 0, at, 2e-6);
  REQUIRE(budget.size() == 5);
  // Each adds (m / M) r to M = 1e-3: 0.71 % with unknown phase.
  for (std::size_t i = 0; i < 2; ++i) {
    CHECK(within(budget[i].contribution(), 1e-5 * m / 1e-6 / std::numbers::sqrt2, 1e-5));
    CHECK(budget[i].shape == Shape::kArcsine);
  }
  CHECK(within(budget[3].contribution(), 2e-3, 1e-12));
  // Half the power is 0.1 dB low.
  CHECK(within(budget[4].contribution(), (1 - amplitude_ratio_of_db(-0.1)) / 2 / std::sqrt(3.0),
               1e-12));
}

TEST_CASE("show and reading agree, for THD and THD+N") {
  const Profile profile = bench();
  ReadingContext context;
  context.channels = channel_names(2);
  context.chain.emplace(profile, "");
  context.sample_rate_hz = 48000;
  context.residual = residual_of(context.chain);
  const Chain& chain = *context.chain;
  const double input_dbfs = chain.dbfs_of_volts(chain.volts_of_watts(1, 0), 0);
  ToneChannel tone;
  tone.frequency_hz = 1000;
  tone.fundamental_rms = tone.level_rms = rms_of_dbfs(input_dbfs);
  const double thd = 1e-3, m = thd / std::numbers::sqrt2;
  tone.harmonics = {{2, 2000, {m, 0}, 0, m * m}, {3, 3000, {m, 0}, 0, m * m}};
  tone.thd = thd;
  tone.noise_rms = rms_of_dbfs(-110);
  tone.thd_n = std::hypot(thd, tone.noise_rms / tone.level_rms);
  const DistortionLimits limits = distortion_limits(context, "left", tone);
  REQUIRE(limits.thd.relative);
  REQUIRE(limits.thd_n.relative);
  const std::string shown = render_budgets(chain, {1, 0.1, 1000}, {});
  CAPTURE(shown);
  for (const char* part : {"THD of 0.1 % at", "THD+N of the same at", "response of the sound card",
                           "sound card's harmonic 2", "noise"}) {
    CAPTURE(part);
    CHECK(shown.find(part) != std::string::npos);
  }
  // "k = 1.72, expanded ±1.7 %": three digits of k, two of the other.
  std::size_t from = 0;
  for (const Uncertainty& read : {*limits.thd.relative, *limits.thd_n.relative}) {
    from = shown.find("k = ", from) + 4;
    CHECK(within(std::stod(shown.substr(from)), read.k, 0.006));
    const std::size_t expanded = shown.find("±", from) + std::string("±").size();
    CHECK(within(std::stod(shown.substr(expanded)), 100 * read.expanded,
                 0.051 * 100 * read.expanded));
  }
}

}  // namespace
}  // namespace sinewright
