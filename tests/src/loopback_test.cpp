// The sound card by itself, against the closed form of its two curves and its noise.
#include <doctest/doctest.h>

#include <cmath>
#include <complex>

#include "bench_run.h"
#include "device/bench_parts.h"
#include "measure/calibrate.h"
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
  const auto code_with = [](Wiring truly) {
    BenchRun run("as-left");
    run.bench().set_volume_db(0);
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
}

TEST_CASE("loopback: the usual table takes a minute at the most") {
  CHECK(loopback_duration_s(LoopbackSettings{}, SampleRate{48000}) <= 60);
}

}  // namespace sinewright
