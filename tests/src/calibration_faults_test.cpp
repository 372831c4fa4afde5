// Faults on purpose, at many places of every step of a calibration: the output is cut at the
// wiring's bound, ramps down, and a calibration is either whole or there is none.
#include <doctest/doctest.h>

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "bench_run.h"
#include "loop_check.h"
#include "looped_bench.h"
#include "measure/bench_check.h"
#include "measure/calibrate.h"

namespace sinewright {
namespace {

constexpr MeterAccuracy kMeter{0.8, 0.5, 0.001};
constexpr double kDivider = 1.0 / 20;  // 2 V at the top of a range of 20 onto an input of 2 V
constexpr double kUnit = 0.5;          // 0.5 W, 2 V, at -20 dBFS
constexpr double kWire = 0.95;         // or -1 dBFS would not fit
// Guards look at blocks of 20 ms, which hold no whole periods.
constexpr double kBlock = 1.06;

struct Step {
  std::string name;
  double gain;                                                    ///< as it is wired
  std::function<bool(Session&, Operator&, Progress&)> calibrate;  ///< true: whole
  double most_w;  ///< at the looped bench's input, as watts: the guard
  double highest_hz;
  int reads;            ///< about as many as it makes
  double first_played;  ///< highest sample before the gain is known
};

CalibrationTone brief_tone() {
  CalibrationTone tone;
  tone.duration_s = 0.3;
  return tone;
}

bool is_whole(const ScaleCalibrations& found) {
  for (const auto& channel : found.channels) {
    if (!channel || !(channel->full_scale_vrms > 0)) return false;
  }
  return true;
}

bool calibrate_input_at(CalibratedAt at, Session& session, Operator& person, Progress& progress) {
  InputCalibrationSettings settings;
  settings.tone = brief_tone();
  settings.meter = kMeter;
  settings.at = at;
  return is_whole(calibrate_input(session, settings, person, progress));
}

bool check(bool checks_stream, Session& session, Operator& person, Progress& progress) {
  BenchCheckSettings settings;
  settings.tone = brief_tone();
  if (!checks_stream) settings.meter = kMeter;
  settings.checks_stream = checks_stream;
  settings.stream.steady_s = 1;
  const Findings findings = check_bench(session, settings, person, progress);
  return find_reading(findings, "level", "right", Unit::kVolt) != nullptr;
}

double watts_of_dbfs(double dbfs) { return looped_watts(kBlock * rms_of_dbfs(dbfs)); }

const std::vector<Step>& steps() {
  constexpr double kWhisper = 0.0101;    // -40 dBFS
  constexpr double kFaintest = 0.00101;  // -60 dBFS
  static const std::vector<Step> all = {
      {"input, divider", kDivider,
       [](Session& session, Operator& person, Progress& progress) {
         return calibrate_input_at(CalibratedAt::kDividerTop, session, person, progress);
       },
       watts_of_dbfs(-3 - 26.02 + 8), 997, 150, kWhisper},
      {"input, terminals", kUnit,
       [](Session& session, Operator& person, Progress& progress) {
         return calibrate_input_at(CalibratedAt::kTerminals, session, person, progress);
       },
       1.15, 997, 350, kFaintest},
      {"output", kDivider,
       [](Session& session, Operator& person, Progress& progress) {
         return is_whole(calibrate_output(session, brief_tone(), kMeter, person, progress));
       },
       watts_of_dbfs(-3 - 26.02 + 8), 997, 165, kWhisper},
      {"loopback", kWire,
       [](Session& session, Operator& person, Progress& progress) {
         LoopbackSettings settings;
         settings.drives_dbfs = {-1, -20};
         settings.frequencies_hz = {100, 997};
         settings.step_s = 0.1;
         settings.silent_s = 0.5;
         settings.reads_through_divider = false;  // this bench has one gain, however it is wired
         const Loopback found = calibrate_loopback(session, settings, person, progress);
         return !found.tones.empty();  // levels that clip are left out
       },
       looped_watts(kBlock * 0.75), 997, 400, kWhisper},
      {"check", kDivider,
       [](Session& session, Operator& person, Progress& progress) {
         return check(false, session, person, progress);
       },
       watts_of_dbfs(-26.02 + 6), 997, 70, kWhisper},
      {"check, stream", kDivider,
       [](Session& session, Operator& person, Progress& progress) {
         return check(true, session, person, progress);
       },
       watts_of_dbfs(-26.02 + 6), 0.45 * LoopedBench::kRate_hz, 250, kWhisper}};
  return all;
}

/// Reads 2 V at the unit, what 2 V of full scale give elsewhere; three looks each time.
struct Hand : ScriptedOperator {
  Hand() {
    on_meter = [this](const MeterPoint& point) -> std::optional<double> {
      if (++meters == skips_meter) return std::nullopt;
      return point.place == MeterPoint::Place::kTerminals ? 2 : 2 * amplitude_ratio_of_db(-3);
    };
    on_turning = [](const std::string&) { return true; };
  }
  [[nodiscard]] bool wires(Wiring wiring, const std::string& text) override {
    return ScriptedOperator::wires(wiring, text) && ++wirings != declines_wiring;
  }
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string& text,
                                                  const std::function<void()>& meanwhile) override {
    for (int look = 0; look < 2; ++look) meanwhile();
    return ScriptedOperator::reads_meter(point, text, meanwhile);
  }
  int meters = 0;
  int wirings = 0;
  int skips_meter = 0;      ///< the n-th; none when 0
  int declines_wiring = 0;  ///< likewise
};

struct Ending {
  std::optional<ExitCode> error;
  bool is_whole = false;
};

using SetFault = std::function<void(LoopedBench&)>;

Ending run_with(const Step& step, LoopLog& log, Hand& hand, const SetFault& set_fault = {},
                int cancels_at = 0, int stops_at_read = 0) {
  auto bench = std::make_unique<LoopedBench>(step.gain, log);
  LoopedBench& looped = *bench;
  if (set_fault) set_fault(looped);
  SessionSettings settings;
  if (stops_at_read > 0) {
    settings.is_stopped = [&looped, stops_at_read] { return looped.reads >= stops_at_read; };
  }
  Session session(std::move(bench), Chain(looped_profile(), ""), settings);
  ScriptedProgress progress(cancels_at);
  Ending ending;
  ending.error = code_of([&] { ending.is_whole = step.calibrate(session, hand, progress); });
  CHECK_FALSE(session.is_playing());
  return ending;
}

Ending run_with(const Step& step, LoopLog& log, const SetFault& set_fault = {}, int cancels_at = 0,
                int stops_at_read = 0) {
  Hand hand;
  return run_with(step, log, hand, set_fault, cancels_at, stops_at_read);
}

double highest_played(const LoopLog& log) {
  double highest = 0;
  for (const double x : log.played) highest = std::max(highest, std::abs(x));
  return highest;
}

void check_log(const Step& step, const LoopLog& log) {
  check_ramps(log, step.highest_hz);
  check_cut(log, step.most_w);
}

TEST_CASE("calibrations: without a fault each is whole and stays below its bound") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    LoopLog log;
    const Ending ending = run_with(step, log);
    CHECK(ending.error == std::nullopt);
    CHECK(ending.is_whole);
    check_log(step, log);
    CHECK(log.watts.size() > 0.7 * step.reads);
    CHECK(log.watts.size() < 1.5 * step.reads);
  }
}

TEST_CASE("calibrations: gain up by 20 dB, channels that die: at any moment") {
  for (const std::array<double, 2>& factor :
       {std::array<double, 2>{10, 10}, std::array<double, 2>{1, 10}, std::array<double, 2>{1, 0}}) {
    CAPTURE(factor[0]);
    CAPTURE(factor[1]);
    for (const Step& step : steps()) {
      CAPTURE(step.name);
      for (std::int64_t at = 500; at < step.reads * 960; at += step.reads * 960 / 7 + 37) {
        CAPTURE(at);
        LoopLog log;
        const Ending ending = run_with(step, log, [&](LoopedBench& bench) {
          bench.fault_at = at;
          bench.fault = factor;
        });
        check_log(step, log);
        CHECK(ending.is_whole != ending.error.has_value());
        if (ending.error) CHECK(*ending.error == ExitCode::kRefused);
      }
    }
  }
}

TEST_CASE("calibrations: an amplifier left in the way hears a whisper only") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    LoopLog log;
    const Ending ending = run_with(step, log, [](LoopedBench& bench) {
      bench.fault_at = 0;
      bench.fault = {60, 60};
    });
    CHECK(ending.error == ExitCode::kRefused);
    CHECK_FALSE(ending.is_whole);
    CHECK(highest_played(log) <= step.first_played);
    check_log(step, log);
  }
}

TEST_CASE("calibrations: a device that stalls at any read") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    for (int n = 1; n < step.reads * 2 / 3; n += step.reads / 10) {
      CAPTURE(n);
      LoopLog log;
      const Ending ending = run_with(step, log, [n](LoopedBench& bench) { bench.fails_at = n; });
      CHECK(ending.error == ExitCode::kDevice);
      CHECK_FALSE(ending.is_whole);
      check_log(step, log);
    }
  }
}

TEST_CASE("calibrations: the operator's stop at any read ramps down within that block") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    for (int n = 1; n < step.reads * 2 / 3; n += step.reads / 10) {
      CAPTURE(n);
      LoopLog log;
      const Ending ending = run_with(step, log, {}, 0, n);
      CHECK_FALSE(ending.is_whole);
      CHECK(ending.error == ExitCode::kFailure);
      check_log(step, log);
      const auto asked = static_cast<std::size_t>(n - 1);
      REQUIRE(asked < log.played_before.size());
      const auto was_played = log.played.begin() + log.played_before[asked];
      if (std::all_of(log.played.begin(), was_played, [](double x) { return x == 0; })) continue;
      const auto down_at = log.played_before[asked] + kLoopRamp;
      CHECK(std::all_of(log.played.begin() + std::min<std::ptrdiff_t>(down_at, log.played.size()),
                        log.played.end(), [](double x) { return x == 0; }));
    }
  }
}

TEST_CASE("calibrations: cancelled at any report it yields nothing, and ends silent") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    for (int n = 1; n <= 4; ++n) {
      CAPTURE(n);
      LoopLog log;
      const Ending ending = run_with(step, log, {}, n);
      // The check keeps its levels: they are whole, and nothing is written from them.
      if (ending.error) CHECK(*ending.error == ExitCode::kFailure);
      CHECK(ending.is_whole != ending.error.has_value());
      check_log(step, log);
    }
  }
}

TEST_CASE("calibrations: a wiring declined, a meter not read") {
  for (const Step& step : steps()) {
    CAPTURE(step.name);
    {
      LoopLog log;
      Hand hand;
      hand.declines_wiring = 1;
      CHECK(run_with(step, log, hand).error == ExitCode::kRefused);
      CHECK(highest_played(log) == 0);
    }
    for (int n = 1; n <= 2; ++n) {
      LoopLog log;
      Hand hand;
      hand.declines_wiring = 2;  // the terminated input: may be left out
      hand.skips_meter = n;
      CHECK(run_with(step, log, hand).error == std::nullopt);
      check_log(step, log);
    }
    LoopLog log;
    Hand hand;
    hand.on_meter = nullptr;
    const Ending ending = run_with(step, log, hand);
    const bool needs_meter = step.name[0] == 'i' || step.name[0] == 'o';
    CHECK((ending.error == ExitCode::kRefused) == needs_meter);
    check_log(step, log);
  }
}

}  // namespace
}  // namespace sinewright
