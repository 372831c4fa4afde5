#include "measure/reading.h"

#include <doctest/doctest.h>

#include "bench_run.h"
#include "device/bench_truth.h"
#include "within.h"

namespace sinewright {
namespace {

std::vector<Findings> readings_of(const BenchRun& run, int count, double duration_s = 0.5,
                                  int cancels_at = 0) {
  std::vector<Findings> shown;
  ScriptedProgress progress(cancels_at);
  run_readings(*run.session, {duration_s, count}, progress,
               [&](const Findings& findings) { shown.push_back(findings); });
  return shown;
}

TEST_CASE("a tone is read as a tone, with the true watts") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.5);
  const std::vector<Findings> shown = readings_of(run, 3);
  REQUIRE(shown.size() == 3);
  const BenchTruth truth = bench_truth(run.scenario, {});
  for (const Findings& findings : shown) {
    CHECK(findings.measurement == "tone");
    CHECK(problems_of(findings).empty());
    for (const std::size_t c : {kLeft, kRight}) {
      const double watts = value_of(findings, "level", channel_name(c), Unit::kWatt).value_or(0);
      CHECK(within(watts / truth.channels[c].as_read.watts, 1, 1e-3));
    }
    CHECK(within(findings.ended_s - findings.started_s, 0.5, 1e-6));
  }
  // One after the other, without a frame between.
  CHECK(within(shown[1].started_s, shown[0].ended_s, 1e-9));
  CHECK(within(shown[2].started_s, shown[1].ended_s, 1e-9));
}

TEST_CASE("without a tone it is noise; switched off at the divider's end it is still noise") {
  BenchRun run("as-found", "low");
  const std::vector<Findings> shown = readings_of(run, 1, 1);
  REQUIRE(shown.size() == 1);
  CHECK(shown[0].measurement == "noise");
  const auto noise = value_of(shown[0], "noise", "left", Unit::kVolt);
  REQUIRE(noise);
  TruthConditions conditions;
  conditions.range = "low";
  conditions.is_driven = {false, false};
  CHECK(within(*noise / bench_truth(run.scenario, conditions).channels[kLeft].as_read.level_vrms, 1,
               0.02));
  run.bench().set_powered(false);
  (void)run.session->capture(0.5);
  CHECK(readings_of(run, 1, 1).at(0).measurement == "noise");
}

TEST_CASE("a knob that turns gives a caution, no figures") {
  double volume_db = -40;  // outlives the session, which still reads while it ends
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.3);
  run.watched->before_read = [&] {
    volume_db = std::min(-10.0, volume_db + 0.6);  // 30 dB/s
    run.bench().set_volume_db(volume_db);
  };
  const std::vector<Findings> shown = readings_of(run, 1, 0.5);
  REQUIRE(shown.size() == 1);
  CHECK(shown[0].measurement == "unclassified");
  CHECK(shown[0].readings.empty());
  CHECK(has_caution(shown[0], "unsteady"));
}

TEST_CASE("a step shortly before the end is left out of the figures") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.5);
  const std::int64_t from = run.watched->frames_read + 4800;  // it settles 0.1 s more
  run.bench().step_gain(from + 36000, kLeft, -3);
  const std::vector<Findings> shown = readings_of(run, 1, 1);
  REQUIRE(shown.size() == 1);
  CHECK(shown[0].measurement == "tone");
  CHECK(shown[0].ended_s * 48000 <= static_cast<double>(from + 36000));
  const double volts = value_of(shown[0], "fundamental", "left", Unit::kVolt).value_or(0);
  CHECK(within(volts / bench_truth(run.scenario, {}).channels[kLeft].as_read.fundamental_vrms, 1,
               5e-4));
}

TEST_CASE("readings go on until cancelled") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  std::vector<Findings> shown;
  class After final : public Progress {
   public:
    explicit After(const std::vector<Findings>& seen) : seen_(seen) {}
    void report(double, const std::string&) override {}
    [[nodiscard]] bool is_cancelled() const override { return seen_.size() >= 4; }

   private:
    const std::vector<Findings>& seen_;
  } progress(shown);
  run_readings(*run.session, {0.1, 0}, progress,
               [&](const Findings& findings) { shown.push_back(findings); });
  CHECK(shown.size() == 4);
}

TEST_CASE("durations out of bounds are refused") {
  BenchRun run("as-left");
  for (const double duration_s : {0.05, 61.0, 0.0, -1.0, std::nan("")}) {
    CHECK(code_of([&] { (void)readings_of(run, 1, duration_s); }) == ExitCode::kUsage);
  }
}

TEST_CASE("a stream that ends is the device's failure") {
  BenchRun run("as-left");
  run.watched->ends_at = 30000;
  CHECK(code_of([&] { (void)readings_of(run, 5); }) == ExitCode::kDevice);
}

}  // namespace
}  // namespace sinewright
