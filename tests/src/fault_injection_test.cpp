// Faults on purpose, at many places of every measurement that plays: whatever happens, the drive
// ramps down from the block that first shows too much, stays down, and ends in silence.
// clang-format off: before the headers whose kLeft its Driven would shadow
#include "measure/power.h"
// clang-format on

#include <doctest/doctest.h>

#include <functional>

#include "bench_run.h"
#include "loop_check.h"
#include "looped_bench.h"
#include "measure/reading.h"
#include "measure/response.h"

namespace sinewright {
namespace {

constexpr double kGain = 0.5;  // -20 dBFS give 0.5 W
constexpr double kLimit_w = 1;

/// One measurement up to 2 kHz that may play up to 1 W.
struct Kind {
  const char* name;
  std::function<void(Session&, Progress&)> run;
  int reads;  ///< about as many as it makes
};

const std::vector<Kind>& kinds() {
  static const std::vector<Kind> all = {
      {"measure",
       [](Session& session, Progress& progress) {
         session.guard_watts(kLimit_w);
         session.play({997}, -20);
         run_readings(session, {0.2, 2}, progress, [](const Findings&) {});
       },
       50},
      {"response",
       [](Session& session, Progress& progress) {
         ResponseSettings settings;
         settings.from_hz = 500;
         settings.to_hz = 2000;
         (void)run_response(session, settings, progress);
       },
       80},
      {"power",
       [](Session& session, Progress& progress) {
         PowerSettings settings;
         settings.from_w = 0.2;
         settings.limit_w = kLimit_w;
         settings.step_db = 3;
         settings.step_s = 0.1;
         settings.has_guidance = false;
         ScriptedOperator person;
         (void)run_power(session, settings, progress, person);
       },
       150}};
  return all;
}

/// What every log must show, whatever went wrong. 1.15: the limit, the tenth that is borne, and
/// what 20 ms hold more than their mean.
void check_log(const LoopLog& log) {
  check_ramps(log, 2000);
  check_cut(log, 1.15 * kLimit_w);
}

/// Runs a measurement with a fault; the error that ended it, if any.
std::optional<ExitCode> run_with(const Kind& kind, LoopLog& log,
                                 const std::function<void(LoopedBench&)>& set_fault,
                                 int cancels_at = 0, int stops_at_read = 0) {
  auto bench = std::make_unique<LoopedBench>(kGain, log);
  LoopedBench& looped = *bench;
  set_fault(looped);
  SessionSettings settings;
  if (stops_at_read > 0) {
    settings.is_stopped = [&looped, stops_at_read] { return looped.reads >= stops_at_read; };
  }
  Session session(std::move(bench), Chain(looped_profile(), ""), settings);
  ScriptedProgress progress(cancels_at);
  return code_of([&] { kind.run(session, progress); });
}

TEST_CASE("without a fault every measurement stays below its limit") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    LoopLog log;
    CHECK(run_with(kind, log, [](LoopedBench&) {}) == std::nullopt);
    check_log(log);
    CHECK(*std::max_element(log.watts.begin(), log.watts.end()) < 1.03 * kLimit_w);
    CHECK(log.watts.size() > 0.7 * kind.reads);
    CHECK(log.watts.size() < 1.5 * kind.reads);
  }
}

TEST_CASE("gain up by 20 dB, channels that die, a load that opens: at any moment") {
  struct Fault {
    const char* name;
    std::array<double, 2> factor;
  };
  for (const Fault& fault :
       {Fault{"gain", {10, 10}}, Fault{"left gain", {10, 1}}, Fault{"relay", {0, 0}},
        Fault{"right dies", {1, 0}}, Fault{"load opens", {1.2, 1}}}) {
    CAPTURE(fault.name);
    for (const Kind& kind : kinds()) {
      CAPTURE(kind.name);
      // Not in step with blocks.
      for (std::int64_t at = 500; at < kind.reads * 960; at += kind.reads * 960 / 13 + 37) {
        CAPTURE(at);
        LoopLog log;
        (void)run_with(kind, log, [&](LoopedBench& bench) {
          bench.fault_at = at;
          bench.fault = fault.factor;
        });
        check_log(log);
      }
    }
  }
}

TEST_CASE("a unit wide open is never driven hard, from the first tone on") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    LoopLog log;
    const auto open_up = [](LoopedBench& bench) {
      bench.fault_at = 0;
      bench.fault = {60, 60};  // 180 kW at full scale: 1 W at -52.5 dBFS
    };
    CHECK(run_with(kind, log, open_up) == ExitCode::kRefused);
    check_log(log);
    CHECK(*std::max_element(log.watts.begin(), log.watts.end()) < 1.05 * kLimit_w);
  }
}

TEST_CASE("a device that stalls at any read") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    for (int n = 1; n < kind.reads; n += kind.reads / 20) {
      CAPTURE(n);
      LoopLog log;
      const auto code = run_with(kind, log, [n](LoopedBench& bench) { bench.fails_at = n; });
      if (code) CHECK(*code == ExitCode::kDevice);
      check_log(log);
    }
  }
}

TEST_CASE("the operator's stop at any read ramps down within that block") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    for (int n = 1; n < kind.reads * 3 / 4; n += kind.reads / 20) {
      CAPTURE(n);
      LoopLog log;
      (void)run_with(
          kind, log, [](LoopedBench&) {}, 0, n);
      check_log(log);
      const auto asked = static_cast<std::size_t>(n - 1);
      REQUIRE(asked < log.played_before.size());
      const auto down_at = static_cast<std::ptrdiff_t>(log.played_before[asked] + kLoopRamp);
      // Nothing was playing yet: then it may still begin, and stops with its first block.
      const bool was_silent =
          std::all_of(log.played.begin(), log.played.begin() + log.played_before[asked],
                      [](double x) { return x == 0; });
      if (was_silent) continue;
      CHECK(std::all_of(log.played.begin() + std::min<std::ptrdiff_t>(down_at, log.played.size()),
                        log.played.end(), [](double x) { return x == 0; }));
    }
  }
}

TEST_CASE("cancelled at any report, it keeps what it has and falls silent") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    for (int n = 1; n <= 6; ++n) {
      CAPTURE(n);
      LoopLog log;
      CHECK(run_with(
                kind, log, [](LoopedBench&) {}, n) == std::nullopt);
      check_log(log);
    }
  }
}

// Here, for it takes a bench on which no step has to be repeated: where filters ring, a step is
// taken again until it holds still, and hides that nobody waited.
TEST_CASE("each step of a sweep waits for the loop, the ramp and six periods before it is read") {
  LoopLog log;
  CHECK(run_with(kinds()[1], log, [](LoopedBench&) {}) == std::nullopt);
  ResponseSettings settings;
  settings.from_hz = 500;
  settings.to_hz = 2000;
  double least_frames = 0;
  for (const double frequency_hz : response_frequencies(settings)) {
    const double step_s = 0.01 + 0.02 + 6 / frequency_hz + settings.least_step_s;
    least_frames += LoopedBench::kDelay + step_s * LoopedBench::kRate_hz;
  }
  // What comes before the first step: quiet, the burst, and the climb from -60 to -40 dBFS.
  constexpr double kBefore = 4 * 960 + 2 * 960 + 2 * (1000 + 480 + 960 + 2880);
  CHECK(static_cast<double>(log.played.size()) > least_frames + kBefore);
}

TEST_CASE("a channel that vanishes ends a sweep, and the points before it are kept") {
  BenchRun run("as-left");
  run.watched->before_read = [&, is_done = false]() mutable {
    if (is_done || run.watched->frames_read < 120000) return;
    is_done = true;
    run.bench().kill_channel(run.watched->frames_read + 100, kRight);
  };
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 100;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  REQUIRE(has_caution(findings, "channel_lost"));
  CHECK(problems_of(findings).empty());
  const Curve* curve = find_curve(findings, "response", "right");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() >= 3);
  CHECK(curve->points.size() < response_frequencies(settings).size());
  // No point of the fall itself.
  for (const CurvePoint& point : curve->points) CHECK(point.y.value_or(-99) > -3);
}

}  // namespace
}  // namespace sinewright
