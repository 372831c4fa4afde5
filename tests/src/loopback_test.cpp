// The sound card by itself, against the closed form of its two curves and its noise.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>

#include "bench/residual.h"
#include "bench_run.h"
#include "device/bench_parts.h"
#include "measure/calibrate.h"
#include "measure/loopback_plan.h"
#include "within.h"

namespace sinewright {
namespace {

LoopbackSettings brief() {
  LoopbackSettings settings;
  settings.drives_dbfs = {-1, -12, -30};
  settings.frequencies_hz = {100, 997, 5000};
  return settings;
}

Loopback loopback_of(BenchRun& run, const LoopbackSettings& settings) {
  ScriptedOperator person;
  person.on_wiring = [&run](Wiring wiring) { run.bench().set_wiring(wiring); };
  ScriptedProgress progress;
  return calibrate_loopback(*run.session, settings, person, progress);
}

/// A harmonic of both curves together, relative to the tone, signed: to first order both add. A
/// cosine p in y = x + b x^2 + c x^3 makes b p / 2 at twice, c p^2 / 4 at three times the
/// frequency.
double closed_form(const Scenario& scenario, std::size_t channel, int order, double drive_dbfs) {
  const SoundCard& card = scenario.sound_card;
  const double out = amplitude_ratio_of_db(drive_dbfs);
  const double in = out * card.output_full_scale_vrms * scenario.parts.output_scale[channel] /
                    (card.input_full_scale_vrms * scenario.parts.input_scale[channel]);
  if (order == 2) return card.output_curve.second * out / 2 + card.input_curve.second * in / 2;
  return card.output_curve.third * out * out / 4 + card.input_curve.third * in * in / 4;
}

double power_of_db(double db) { return std::pow(10, db / 10); }

}  // namespace

TEST_CASE("loopback: levels, harmonics and noise are those of the sound card's closed form") {
  Scenario scenario = larkfield("as-left");
  scenario.parts = random_parts(9, scenario.ranges.size());
  scenario.parts.input_scale = {1.02, 1.015};  // or -1 dBFS might clip
  // Ten times the curves: well above the noise of half a second.
  for (Polynomial* curve : {&scenario.sound_card.output_curve, &scenario.sound_card.input_curve}) {
    curve->second *= 10;
    curve->third *= 10;
  }
  BenchRun run(scenario);
  const Loopback found = loopback_of(run, brief());
  const SoundCard& card = scenario.sound_card;
  CHECK(found.tones.size() == 9);
  for (const LoopbackTone& tone : found.tones) {
    CAPTURE(tone.frequency_hz);
    CAPTURE(tone.drive_dbfs);
    CHECK(within(tone.phase_deg, 0, 0.01));
    for (std::size_t c = 0; c < 2; ++c) {
      const LoopbackTone::Channel& channel = tone.channels[c];
      const double gain_db =
          db_of_amplitude_ratio(card.output_full_scale_vrms * scenario.parts.output_scale[c] /
                                (card.input_full_scale_vrms * scenario.parts.input_scale[c]));
      // The input's high-pass takes 0.0006 dB at 100 Hz, the third order a little compression.
      CHECK(within(channel.level_dbfs, tone.drive_dbfs + gain_db, 0.002));
      for (const ResidualHarmonic& harmonic : channel.harmonics) {
        if (harmonic.order > 3) continue;
        const double expected = closed_form(scenario, c, harmonic.order, tone.drive_dbfs);
        // Twice the floor's fifth: two standard deviations, as a share of the harmonic.
        const double noise = 0.5 * amplitude_ratio_of_db(channel.floor_dbc) / std::abs(expected);
        CHECK(within(amplitude_ratio_of_db(harmonic.level_dbc) / std::abs(expected), 1,
                     0.01 + noise));
        const double turned = std::remainder(harmonic.phase_deg - (expected < 0 ? 180 : 0), 360);
        if (noise < 0.1) CHECK(within(turned, 0, 6));
      }
      const double in_noise = power_of_db(card.input_noise_dbfs);
      const double out_noise = power_of_db(card.output_noise_dbfs + gain_db);
      // Both converters' 24 bits with triangular dither add -144.5 dBFS or so: nothing here.
      CHECK(within(channel.noise_dbfs, db_of_power_ratio(in_noise + out_noise), 0.2));
    }
    if (tone.drive_dbfs == -1) {
      CHECK(tone.channels[0].harmonics.size() >= 2);
      CHECK(tone.channels[1].harmonics.size() >= 2);
    }
  }
  for (std::size_t c = 0; c < 2; ++c) {
    const double gain_db =
        db_of_amplitude_ratio(card.output_full_scale_vrms * scenario.parts.output_scale[c] /
                              (card.input_full_scale_vrms * scenario.parts.input_scale[c]));
    const double both =
        power_of_db(card.input_noise_dbfs) + power_of_db(card.output_noise_dbfs + gain_db);
    CHECK(within(found.silent_noise_dbfs[c], db_of_power_ratio(both), 0.2));
    REQUIRE(found.input_noise_dbfs);
    CHECK(within((*found.input_noise_dbfs)[c], card.input_noise_dbfs, 0.2));
  }
}

TEST_CASE("loopback: levels at which the input clips are left out") {
  Scenario scenario = larkfield("as-left");
  scenario.parts.input_scale = {0.9, 0.9};
  BenchRun run(scenario);
  const Loopback found = loopback_of(run, brief());
  CHECK(found.tones.size() == 6);
  for (const LoopbackTone& tone : found.tones) CHECK(tone.drive_dbfs < -1);
}

TEST_CASE("loopback: declining the terminated input leaves it open") {
  BenchRun run("as-left");
  ScriptedOperator person;
  person.on_wiring = [&](Wiring wiring) {
    run.bench().set_wiring(wiring);
    person.consents = wiring == Wiring::kLoopback;
  };
  ScriptedProgress progress;
  LoopbackSettings settings;
  settings.drives_dbfs = {-12};
  settings.frequencies_hz = {997};
  CHECK_FALSE(calibrate_loopback(*run.session, settings, person, progress).input_noise_dbfs);
}

TEST_CASE("loopback: nothing back, and a unit in the way, are refused") {
  const auto code_with = [](Wiring truly, double volume_db = 0) {
    BenchRun run("as-left");
    run.bench().set_volume_db(volume_db);
    run.bench().set_wiring(truly);
    ScriptedOperator person;
    ScriptedProgress progress;
    const auto code =
        code_of([&] { (void)calibrate_loopback(*run.session, brief(), person, progress); });
    CHECK(run.journal.highest_played() < 0.011);
    return code;
  };
  CHECK(code_with(Wiring::kTerminated) == ExitCode::kRefused);
  CHECK(code_with(Wiring::kDividerTop) == ExitCode::kRefused);  // 26 dB down
  // 43.5 dB of gain less the divider's 26 dB: -10 dB in all, as a cable between odd full scales.
  CHECK(code_with(Wiring::kUnit, -27.5) == ExitCode::kRefused);
}

TEST_CASE("loopback: what changes its gain on the way up is refused at the level where it does") {
  const auto refused_with = [](double limit) {
    BenchRun run("as-left");
    run.watched->change = [limit](double& left, double& right) {
      left = std::clamp(left, -limit, limit);
      right = std::clamp(right, -limit, limit);
    };
    CHECK(code_of([&] { (void)loopback_of(run, brief()); }) == ExitCode::kRefused);
    return run.journal.highest_played();
  };
  CHECK(within(refused_with(0.05), 0.1, 0.001));    // -4.3 dB at -20 dBFS: more than 1.5 times
  CHECK(within(refused_with(0.075), 0.1, 0.001));   // -1.4 dB: within that, but bent
  CHECK(within(refused_with(0.6), 0.8913, 0.001));  // at the top
}

TEST_CASE("loopback: the first tone is repeated, and must not have moved") {
  struct Drift final : Progress {
    Drift(BenchRun& told, double factor) : run(told), factor_at_end(factor) {}
    void report(double, const std::string& text) override {
      if (text != "the first tone again") return;
      run.watched->change = [this](double&, double& right) { right *= factor_at_end; };
    }
    [[nodiscard]] bool is_cancelled() const override { return false; }
    BenchRun& run;
    double factor_at_end;
  };
  const auto code_with = [](double factor) {
    BenchRun run("as-left");
    ScriptedOperator person;
    person.on_wiring = [&run](Wiring wiring) { run.bench().set_wiring(wiring); };
    Drift drift(run, factor);
    LoopbackSettings settings = brief();
    settings.reads_terminated = settings.reads_through_divider = false;
    settings.silent_s = 0.5;
    return code_of([&] { (void)calibrate_loopback(*run.session, settings, person, drift); });
  };
  CHECK(code_with(1.02) == ExitCode::kRefused);
  CHECK(code_with(0.98) == ExitCode::kRefused);
  CHECK(code_with(1.001) == std::nullopt);
}

TEST_CASE("loopback: its usual frequencies end where a response ends, at any rate") {
  const auto usual = [](double rate_hz) { return loopback_frequencies_hz({}, {rate_hz}); };
  for (const double rate_hz : {44100., 48000., 88200., 96000., 192000.}) {
    CAPTURE(rate_hz);
    const std::vector<double> frequencies_hz = usual(rate_hz);
    CHECK(frequencies_hz.front() == 20);
    CHECK(frequencies_hz.back() == 0.45 * rate_hz);
    CHECK(std::is_sorted(frequencies_hz.begin(), frequencies_hz.end()));
  }
  CHECK(usual(44100).size() == 10);  // 20 kHz is above its end
  CHECK(usual(48000).size() == 11);
  CHECK(usual(96000)[10] == 30000);
  LoopbackSettings told;
  told.frequencies_hz = {997, 20000, 30000};
  CHECK(loopback_frequencies_hz(told, {48000}) == std::vector<double>{997, 20000});
}

TEST_CASE("loopback: the highest usual frequency is read") {
  BenchRun run("as-left");
  LoopbackSettings settings;
  settings.drives_dbfs = {-12};
  settings.step_s = 0.2;
  settings.silent_s = 0.5;
  settings.reads_terminated = settings.reads_through_divider = false;
  const Loopback found = loopback_of(run, settings);
  REQUIRE(found.tones.size() == 11);
  CHECK(found.tones.back().frequency_hz == 21600);
  // Its filters take a little there, by design below 1 dB.
  CHECK(within(found.tones.back().channels[0].level_dbfs, -12, 1));
  CHECK(found.sample_rate_hz == 48000);
}

TEST_CASE(
    "loopback: the usual table takes a minute at the most, half of one more with the divider") {
  LoopbackSettings settings;
  const double whole_s = loopback_duration_s(settings, SampleRate{48000});
  settings.reads_through_divider = false;
  const double plain_s = loopback_duration_s(settings, SampleRate{48000});
  CHECK(plain_s <= 60);
  CHECK(whole_s > plain_s + 20);
  CHECK(whole_s <= 90);
}

TEST_CASE("loopback: through the divider the output's harmonics stand alone") {
  Scenario scenario = larkfield("as-left");
  // Opposite and alike: in the loopback they cancel to a fifth.
  SoundCard& card = scenario.sound_card;
  card.output_curve = {2e-3, 1e-3};
  card.input_curve = {-1.6e-3, -0.8e-3};
  card.input_full_scale_vrms = card.output_full_scale_vrms;
  BenchRun run(scenario);
  LoopbackSettings settings = brief();
  settings.drives_dbfs = {-1, -6, -12};
  settings.divider_drives_dbfs = {-1, -6, -12};
  settings.divider_frequencies_hz = {100, 997, 5000};
  settings.silent_s = 0.5;
  const Loopback found = loopback_of(run, settings);
  CHECK(found.output_tones.size() == 9);
  const double lower = 1 / scenario.ranges[0].ratio;
  for (const LoopbackTone& tone : found.output_tones) {
    CAPTURE(tone.frequency_hz);
    CAPTURE(tone.drive_dbfs);
    const double out = amplitude_ratio_of_db(tone.drive_dbfs);
    for (const LoopbackTone::Channel& channel : tone.channels) {
      REQUIRE(channel.harmonics.size() >= 2);
      const double expected[] = {(2e-3 - 1.6e-3 * lower) * out / 2,
                                 (1e-3 - 0.8e-3 * lower * lower) * out * out / 4};
      for (std::size_t i = 0; i < 2; ++i) {
        const ResidualHarmonic& harmonic = channel.harmonics[i];
        // The floor is five deviations; and second order of the curves, under a percent.
        const double noise = 0.8 * amplitude_ratio_of_db(channel.floor_dbc) / expected[i];
        CHECK(within(amplitude_ratio_of_db(harmonic.level_dbc) / expected[i], 1, 0.01 + noise));
        // The input's high-pass turns the harmonics of 100 Hz a little.
        if (noise < 0.1) CHECK(within(std::remainder(harmonic.phase_deg, 360), 0, 8));
      }
    }
  }
  // What it is for: both converters' own, though only their difference is seen.
  const ResidualBound bound = SoundCardResidual(found).harmonic(0, 2, {997, -6, -6.});
  const double own = amplitude_ratio_of_db(-6) / 2;
  CHECK(within(bound.parts[0] / (2e-3 * own), 1, 0.03));
  CHECK(within(bound.parts[1] / (1.6e-3 * own), 1, 0.03));
  CHECK(bound.highest >= 3.6e-3 * own);
}

TEST_CASE("loopback: without the divider, and on a low range, it ends as ever") {
  LoopbackSettings settings;
  settings.drives_dbfs = {-12};
  settings.frequencies_hz = {997};
  settings.reads_terminated = false;
  settings.silent_s = 0.5;
  SUBCASE("left out") {
    BenchRun run("as-left");
    settings.reads_through_divider = false;
    CHECK(loopback_of(run, settings).output_tones.empty());
  }
  SUBCASE("declined") {
    BenchRun run("as-left");
    ScriptedOperator person;
    person.on_wiring = [&](Wiring wiring) {
      run.bench().set_wiring(wiring);
      person.consents = wiring == Wiring::kLoopback;
    };
    ScriptedProgress progress;
    CHECK(calibrate_loopback(*run.session, settings, person, progress).output_tones.empty());
  }
  SUBCASE("a range of less than 12 dB") {
    BenchRun run("as-left", "low");
    CHECK_FALSE(has_far_range(*run.session));
    CHECK(loopback_of(run, settings).output_tones.empty());
  }
  SUBCASE("the range switch elsewhere") {
    Scenario scenario = larkfield("as-left");
    scenario.ranges[0].ratio = 10;
    BenchRun run(scenario);
    CHECK(code_of([&] { (void)loopback_of(run, settings); }) == ExitCode::kRefused);
  }
  SUBCASE("still wired straight, so not the divider") {
    BenchRun run("as-left");
    ScriptedOperator person;
    person.on_wiring = [&](Wiring) { run.bench().set_wiring(Wiring::kLoopback); };
    ScriptedProgress progress;
    CHECK(code_of([&] { (void)calibrate_loopback(*run.session, settings, person, progress); }) ==
          ExitCode::kRefused);
  }
}

}  // namespace sinewright
