// What a calibration takes at its edges: a loop without any converter in it, and a meter too coarse
// to tell anything.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "bench/profile_file.h"
#include "bench_run.h"
#include "looped_bench.h"
#include "measure/calibrate.h"

namespace sinewright {

TEST_CASE("an exact loop's loopback stands in a profile that reads back") {
  LoopLog log;
  auto bench = std::make_unique<LoopedBench>(1.0, log);
  bench->is_exact = true;
  Profile profile = looped_profile();
  Session session(std::move(bench), Chain(profile, "high"), {});
  LoopbackSettings settings;
  settings.frequencies_hz = {20, 997};  // 20 Hz has a thousand harmonics in band
  settings.drives_dbfs = {-6, -20};
  settings.reads_terminated = false;
  settings.reads_through_divider = false;
  ScriptedOperator person;
  ScriptedProgress progress;
  profile.loopback = calibrate_loopback(session, settings, person, progress);
  REQUIRE(profile.loopback->tones.size() == 4);
  const std::string text = to_toml(profile);
  CHECK(parse_profile(text, "exact.toml").loopback == profile.loopback);
  // A page, not a book.
  CHECK(text.size() < 20000);
}

TEST_CASE("a meter whose bound is above a tenth of what it reads is refused, and says why") {
  for (const double resolution : {0.001, 1.0}) {
    CAPTURE(resolution);
    BenchRun run("as-left");
    ScriptedOperator person;
    SimulatedBench& bench = run.bench();
    person.on_wiring = [&](Wiring wiring) { bench.set_wiring(wiring); };
    person.on_meter = [&](const MeterPoint& point) { return bench.meter_truth(point); };
    ScriptedProgress progress;
    InputCalibrationSettings settings;
    settings.meter = {0.8, 3, resolution};
    // Three digits of 1 V beside 1.4 V: more than 200 %.
    CHECK(code_of([&] { (void)calibrate_input(*run.session, settings, person, progress); }) ==
          (resolution < 0.1 ? std::nullopt : std::optional(ExitCode::kRefused)));
    CHECK_FALSE(run.session->is_playing());
  }
}

TEST_CASE("at the terminals nothing allows more than a watt, and no refusal offers it") {
  Scenario scenario = larkfield("as-left");
  scenario.receiver.gain_db += 3;  // 2 W at -40 dBFS, fully up
  BenchRun run(scenario);
  run.bench().set_volume_db(0);
  ScriptedOperator person;
  ScriptedProgress progress;
  InputCalibrationSettings settings;
  settings.meter = {0.8, 3, 0.001};
  settings.at = CalibratedAt::kTerminals;
  std::string refusal;
  try {
    (void)calibrate_input(*run.session, settings, person, progress);
  } catch (const Error& error) {
    refusal = error.what();
  }
  CHECK(refusal.find("volume") != std::string::npos);
  CHECK(refusal.find("--confirmed") == std::string::npos);
}

}  // namespace sinewright
