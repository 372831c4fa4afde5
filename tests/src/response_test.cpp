#include "measure/response.h"

#include <doctest/doctest.h>

#include "bench_run.h"
#include "device/bench_truth.h"
#include "within.h"

namespace sinewright {
namespace {

TEST_CASE("the steps are those of ISO 266, base ten") {
  ResponseSettings settings;
  settings.limit_w = 90;
  const std::vector<double> third = response_frequencies(settings);
  REQUIRE(third.size() == 31);  // 20 Hz to 20 kHz
  CHECK(within(third.front(), 19.9526, 1e-4));
  CHECK(within(third[17], 1000, 1e-9));
  CHECK(within(third.back(), 19952.62, 0.01));
  settings.steps_per_octave = 1;
  settings.from_hz = 31.5;
  settings.to_hz = 16000;
  // 31.6, 63.1, 126, 251, 501, 1000, 2000, 3980, 7940, 15849
  const std::vector<double> octaves = response_frequencies(settings);
  REQUIRE(octaves.size() == 10);
  CHECK(within(octaves.front(), 31.6228, 1e-4));
  settings.from_hz = settings.to_hz = 1000;
  CHECK(response_frequencies(settings) == std::vector<double>{1000});
}

TEST_CASE("ranges and steps that make no sense are refused") {
  const auto refuses = [](auto change) {
    ResponseSettings settings;
    settings.limit_w = 90;
    change(settings);
    return code_of([&] { (void)response_frequencies(settings); }) == ExitCode::kUsage;
  };
  CHECK(refuses([](auto& s) { s.steps_per_octave = 4; }));
  CHECK(refuses([](auto& s) { s.steps_per_octave = 0; }));
  CHECK(refuses([](auto& s) { s.from_hz = 2000, s.to_hz = 1000; }));
  CHECK(refuses([](auto& s) { s.from_hz = 0; }));
  CHECK(refuses([](auto& s) { s.from_hz = std::nan(""); }));
  CHECK(refuses([](auto& s) { s.to_hz = std::nan(""); }));
}

TEST_CASE("a response above 0.45 of the rate is refused before anything is played") {
  BenchRun run("as-left");
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.to_hz = 22500;
  settings.steps_per_octave = 12;
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)run_response(*run.session, settings, progress); }) == ExitCode::kUsage);
  CHECK(run.journal.highest_played() == 0);
}

// What a hum line within reach of the analysis does to a tone near it, relative to the tone: it
// beats with it too slowly to be told apart, and the stated uncertainty cannot know of it.
double hum_share(const Scenario& scenario, std::size_t channel, double frequency_hz) {
  TruthConditions conditions;
  conditions.frequency_hz = frequency_hz;
  const double tone_vrms =
      bench_truth(scenario, conditions).channels[channel].as_read.fundamental_vrms;
  double sum = 0;
  for (const SimulatedHumLine& line : scenario.receiver.channels[channel].hum) {
    const double apart_hz = std::abs(line.order * scenario.mains_frequency_hz - frequency_hz);
    if (apart_hz < 10) sum += line.level_vrms / tone_vrms;
  }
  return sum;
}

void check_response(const BenchRun& run, const Findings& findings, std::size_t c,
                    const std::vector<double>& steps_hz) {
  CAPTURE(c);
  const Curve* curve = find_curve(findings, "response", channel_name(c));
  REQUIRE(curve != nullptr);
  REQUIRE(curve->points.size() == steps_hz.size());
  for (const CurvePoint& point : curve->points) {
    CAPTURE(point.x);
    REQUIRE(point.y.has_value());
    REQUIRE(point.uncertainty.has_value());
    const double truth_db = response_truth_db(run.scenario, {}, c, point.x);
    const double hum_db = db_of_amplitude_ratio(1 + hum_share(run.scenario, c, point.x));
    CHECK(within(*point.y, truth_db, 0.01 + *point.uncertainty + hum_db));
    // What is asked for, or nearly.
    CHECK(*point.uncertainty < 0.05);
  }
  const double lowest_db = std::min(response_truth_db(run.scenario, {}, c, steps_hz.front()),
                                    response_truth_db(run.scenario, {}, c, steps_hz.back()));
  CHECK(within(value_of(findings, "response_lowest", channel_name(c), Unit::kDb).value_or(9),
               lowest_db, 0.02));
  const Curve* thd_n = find_curve(findings, "thd_n", channel_name(c));
  REQUIRE(thd_n != nullptr);
  for (const CurvePoint& point : thd_n->points) {
    if (point.x < 300 || point.x > 6000) continue;  // others are mostly a few periods of noise
    CAPTURE(point.x);
    TruthConditions conditions;
    conditions.frequency_hz = point.x;
    const double truth = bench_truth(run.scenario, conditions).channels[c].as_read.thd_n_percent;
    // 0.1 s: 4000 degrees of freedom where it is noise, 1.1 %; four of them.
    CHECK(within(point.y.value_or(0) / truth, 1, 0.045));
  }
}

void check_sweep(const std::string& state, double from_hz) {
  BenchRun run(state);
  ScriptedProgress progress;
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = from_hz;
  const Findings findings = run_response(*run.session, settings, progress);
  const std::vector<double> steps_hz = response_frequencies(settings);
  CHECK(problems_of(findings).empty());
  CHECK(progress.is_in_range);
  CHECK(findings.cautions.empty());
  for (const std::size_t c : {kLeft, kRight}) check_response(run, findings, c, steps_hz);
  const Curve* phase = find_curve(findings, "phase", "pair");
  REQUIRE(phase != nullptr);
  for (const CurvePoint& point : phase->points) {
    CAPTURE(point.x);
    TruthConditions conditions;
    conditions.frequency_hz = point.x;
    const double hum_deg =
        57.3 * (hum_share(run.scenario, kLeft, point.x) + hum_share(run.scenario, kRight, point.x));
    // 0.05 degree: noise in 0.1 s, and what is left of settling at 20 Hz.
    CHECK(within(point.y.value_or(99), bench_truth(run.scenario, conditions).phase_deg,
                 0.05 + hum_deg));
  }
  // The output fell silent by itself, and was never louder than asked for.
  CHECK(std::isinf(run.session->drive_dbfs()));
  CHECK(within(run.journal.highest_played(), amplitude_ratio_of_db(-20), 1e-6));
}

TEST_CASE("the response of the bench is the true one, as left") { check_sweep("as-left", 20); }

TEST_CASE("the response of the bench is the true one, as found") { check_sweep("as-found", 80); }

TEST_CASE("corners are interpolated where the response passes them") {
  // A narrow unit: first-order corners at 200 Hz and 8 kHz.
  Scenario scenario = larkfield("as-left");
  for (ReceiverChannel& channel : scenario.receiver.channels) {
    channel.low_cut_hz = 200;
    channel.high_cut_hz = 8000;
  }
  BenchRun run(scenario);
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 80;
  settings.has_thd = false;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  // Where the truth is 3 dB down, by halving.
  const auto corner_hz = [&](double inner_hz, double outer_hz, double down_db) {
    for (int k = 0; k < 40; ++k) {
      const double middle_hz = std::sqrt(inner_hz * outer_hz);
      const bool is_inner = response_truth_db(scenario, {}, kLeft, middle_hz) > -down_db;
      (is_inner ? inner_hz : outer_hz) = middle_hz;
    }
    return inner_hz;
  };
  for (const auto& [name, down] : {std::pair{"1", 1.0}, std::pair{"3", 3.0}}) {
    const double down_db = down;  // Clang 14 captures no structured bindings
    CAPTURE(down_db);
    const auto lower =
        value_of(findings, std::string("lower_corner_") + name + "_db", "left", Unit::kHertz);
    const auto upper =
        value_of(findings, std::string("upper_corner_") + name + "_db", "left", Unit::kHertz);
    REQUIRE(lower);
    REQUIRE(upper);
    // A straight line through third-octave steps errs by the curve's bend: below 2 %.
    CHECK(within(*lower / corner_hz(1000, 10, down_db), 1, 0.02));
    CHECK(within(*upper / corner_hz(1000, 20000, down_db), 1, 0.02));
  }
  CHECK(find_curve(findings, "thd_n", "left") == nullptr);
}

TEST_CASE("a corner beyond the sweep is not reached, and says so") {
  BenchRun run("as-left");
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 500;
  settings.to_hz = 2000;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  const Reading* corner = find_reading(findings, "upper_corner_3_db", "left", Unit::kHertz);
  REQUIRE(corner != nullptr);
  CHECK_FALSE(corner->value.has_value());
  CHECK(corner->note == "not reached");
}

TEST_CASE("a sweep that is cancelled keeps its finished steps") {
  BenchRun run("as-left");
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 500;
  ScriptedProgress progress(5);
  const Findings findings = run_response(*run.session, settings, progress);
  const Curve* curve = find_curve(findings, "response", "left");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() >= 4);
  CHECK(curve->points.size() <= 5);
  CHECK(has_caution(findings, "stopped"));
  CHECK(problems_of(findings).empty());
  run.session.reset();
  CHECK(run.journal.played.back() == 0);
}

TEST_CASE("a sweep rides over lost frames") {
  BenchRun run("as-left");
  // Some every half second, from after the delay was measured.
  for (std::int64_t at = 90000; at < 300000; at += 24000) run.bench().lose_frames(at, 64);
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 200;
  settings.to_hz = 5000;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  const Curve* curve = find_curve(findings, "response", "right");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() == 15);
  for (const CurvePoint& point : curve->points) {
    CAPTURE(point.x);
    CHECK(within(point.y.value_or(9), response_truth_db(run.scenario, {}, kRight, point.x),
                 0.01 + point.uncertainty.value_or(0)));
  }
}

TEST_CASE("a channel that is dead says so") {
  BenchRun run("as-left");
  run.bench().kill_channel(1000, kRight);
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 500;
  settings.to_hz = 2000;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  CHECK(find_curve(findings, "response", "left") != nullptr);
  CHECK(find_curve(findings, "response", "right") == nullptr);
  CHECK(problems_of(findings).empty());
  REQUIRE(has_caution(findings, "no_tone"));
  CHECK(findings.cautions[0].channel == "right");
}

TEST_CASE("a sweep a little below what it may give is not cut at the lowest tones") {
  BenchRun run("as-left");
  run.bench().set_volume_db(-21);  // 0.9 W at -20 dBFS; 20 ms of 20 Hz may hold a fifth more
  ResponseSettings settings;
  settings.to_hz = 60;
  ScriptedProgress progress;
  const Findings findings = run_response(*run.session, settings, progress);
  const Curve* curve = find_curve(findings, "response", "left");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() == 5);  // 20, 25, 31.5, 40, 50 Hz
}

TEST_CASE("a sweep that would give more than it may is refused before it does") {
  BenchRun run("as-left");
  run.bench().set_volume_db(-20);  // far above 1 W at full drive
  ResponseSettings settings;
  settings.level_dbfs = 0;
  ScriptedProgress progress;
  // Predicted on the way up, and so never played.
  CHECK_THROWS_WITH_AS(static_cast<void>(run_response(*run.session, settings, progress)),
                       doctest::Contains("not played"), Error);
  for (const double watts : run.journal.watts(kLeft, 20)) CHECK(watts < 1.1);
}

}  // namespace
}  // namespace sinewright
