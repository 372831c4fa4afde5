#include "measure/session.h"

#include <doctest/doctest.h>

#include "bench_run.h"
#include "device/bench_truth.h"
#include "within.h"

namespace sinewright {
namespace {

TEST_CASE("a tone at the bench has the true volts, watts and distortion") {
  struct Case {
    const char* state;
    double frequency_hz;
    double drive_dbfs;
  };
  // Below clipping, with crossover distortion, and clipping at sagging rails.
  for (const Case& one :
       {Case{"as-left", 997, -20}, Case{"as-left", 997, -3}, Case{"as-found", 997, -20},
        Case{"as-found", 5000, -10}, Case{"as-left", 60, -6}, Case{"as-left", 997, -1}}) {
    CAPTURE(one.state);
    CAPTURE(one.frequency_hz);
    CAPTURE(one.drive_dbfs);
    BenchRun run(one.state);
    run.session->play({one.frequency_hz}, one.drive_dbfs);
    run.session->settle(0.8);  // rails: 13 time constants
    const Findings tone =
        run.session->measure_tone(run.session->capture(1), Hertz{one.frequency_hz});
    CHECK(problems_of(tone).empty());
    TruthConditions conditions;
    conditions.frequency_hz = one.frequency_hz;
    conditions.drive_dbfs = one.drive_dbfs;
    const BenchTruth truth = bench_truth(run.scenario, conditions);
    for (const std::size_t c : {kLeft, kRight}) {
      CAPTURE(c);
      const SpectrumTruth& expected = truth.channels[c].as_read;
      const auto value = [&](const char* key, Unit unit) {
        return value_of(tone, key, channel_name(c), unit).value_or(std::nan(""));
      };
      CHECK(within(value("frequency", Unit::kHertz), one.frequency_hz, 1e-3));
      CHECK(within(value("fundamental", Unit::kVolt) / expected.fundamental_vrms, 1, 5e-4));
      CHECK(within(value("level", Unit::kWatt) / expected.watts, 1, 1e-3));
      CHECK(within(value("thd", Unit::kPercent) / expected.thd_percent, 1, 0.03));
      // 20000 degrees of freedom: 0.7 % for the noise alone.
      CHECK(within(value("thd_n", Unit::kPercent) / expected.thd_n_percent, 1, 0.02));
      for (const HarmonicTruth& harmonic : expected.harmonics) {
        if (harmonic.order > 5 || harmonic.level_dbc < -85) continue;
        const auto found =
            std::find_if(tone.harmonics.begin(), tone.harmonics.end(), [&](const Harmonic& h) {
              return h.channel == channel_name(c) && h.order == harmonic.order;
            });
        REQUIRE(found != tone.harmonics.end());
        CHECK(within(found->level_dbc.value_or(0), harmonic.level_dbc, 0.3));
      }
    }
    CHECK(
        within(value_of(tone, "balance", "pair", Unit::kDb).value_or(99), truth.balance_db, 0.002));
    CHECK(
        within(value_of(tone, "phase", "pair", Unit::kDegree).value_or(99), truth.phase_deg, 0.02));
  }
}

TEST_CASE("crosstalk of a channel that is not driven is the true one") {
  for (const std::size_t driven : {kLeft, kRight}) {
    BenchRun run("as-left");
    run.session->play({5000}, -3, 1U << driven);
    run.session->settle(0.5);
    const Findings tone = run.session->measure_tone(run.session->capture(1), {5000});
    TruthConditions conditions;
    conditions.frequency_hz = 5000;
    conditions.drive_dbfs = -3;
    const auto crosstalk = value_of(tone, "crosstalk", channel_name(1 - driven), Unit::kDb);
    REQUIRE(crosstalk);
    CHECK(within(*crosstalk, crosstalk_truth_db(run.scenario, conditions, driven), 0.1));
    CHECK_FALSE(value_of(tone, "thd", channel_name(1 - driven), Unit::kDb).has_value());
  }
}

TEST_CASE("the loop delay is found") {
  for (const int delay : {0, 1021, 9600}) {
    CAPTURE(delay);
    Scenario scenario = larkfield("as-left");
    scenario.sound_card.loop_delay_frames = delay;
    BenchRun run(scenario);
    run.session->play({997}, -20);
    run.session->measure_loop_delay(-20);
    // 3 ms: windows of 2 ms, and a ramp of 10 ms whose middle is looked for.
    CHECK(within(static_cast<double>(run.session->loop_delay_frames()),
                 static_cast<double>(run.bench().loop_delay_frames()), 144));
  }
}

TEST_CASE("a loop that does not come back is taken for half a second") {
  BenchRun run("as-left");
  run.bench().set_powered(false);
  run.session->play({997}, -20);
  run.session->settle(0.1);
  CHECK(run.session->loop_delay_frames() == 24000);
}

TEST_CASE("what is played starts and ends in silence, without a step") {
  for (const double frequency_hz : {997.0, 60.0}) {
    CAPTURE(frequency_hz);
    BenchRun run("as-left");
    run.session->play({frequency_hz}, -6);
    run.session->settle(0.2);
    run.session->play({frequency_hz}, -12);
    run.session->settle(0.1);
    run.session->play({frequency_hz}, -6, 1);
    (void)run.session->capture(0.1);
    const std::size_t before_end = run.journal.played.size();
    run.session.reset();
    const std::vector<double>& played = run.journal.played;
    REQUIRE(played.size() > before_end);
    CHECK(played[0] == 0);
    CHECK(within(run.journal.highest_played(), amplitude_ratio_of_db(-6), 1e-5));
    // 10 ms and more of silence at the end.
    REQUIRE(played.size() > 960);
    CHECK(std::all_of(played.end() - 960, played.end(), [](double x) { return x == 0; }));
    // The slope of the steepest tone played (the burst for the delay has 997 Hz), and that of two
    // raised-cosine ramps of 480 frames, in amplitude and in channels, at once.
    const double tone_step = 2 * std::sin(kTwoPi / 2 * 997 / 48000);
    const double ramp_step = 2 * kTwoPi / 4 / 480;
    CHECK(run.journal.largest_step() <= amplitude_ratio_of_db(-6) * (tone_step + ramp_step));
  }
}

TEST_CASE("a session ended by an exception still ends in silence") {
  BenchRun run("as-left");
  try {
    run.session->play({997}, -6);
    run.session->settle(0.1);
    const std::unique_ptr<Session> ends = std::move(run.session);
    throw std::runtime_error("a fault elsewhere");
  } catch (const std::runtime_error&) {
  }
  REQUIRE(run.journal.played.size() > 960);
  CHECK(std::all_of(run.journal.played.end() - 960, run.journal.played.end(),
                    [](double x) { return x == 0; }));
}

TEST_CASE("a capture with lost frames is taken anew") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.1);
  const std::int64_t from = run.watched->frames_read;
  run.bench().lose_frames(from + 5000, 64);
  const Capture capture = run.session->capture(0.25);
  CHECK(capture.first == from + 12000);
  CHECK(capture.frames.size() == 24000);
  const Findings tone = run.session->measure_tone(capture, {997});
  CHECK_FALSE(has_caution(tone, "paths_disagree"));
  CHECK(tone.started_s == doctest::Approx(static_cast<double>(from + 12000) / 48000));
}

TEST_CASE("frames lost just before a capture do not spoil it") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.1);
  const std::int64_t from = run.watched->frames_read;
  run.bench().lose_frames(from, 64);
  CHECK(run.session->capture(0.1).first == from);
  // Nor those lost right after its last frame.
  run.bench().lose_frames(from + 9600, 64);
  CHECK(run.session->capture(0.1).first == from + 4800);
}

TEST_CASE("frames lost three times are the device's failure") {
  BenchRun run("as-left");
  run.session->play({997}, -20);
  run.session->settle(0.1);
  const std::int64_t from = run.watched->frames_read;
  for (int k = 0; k < 3; ++k) run.bench().lose_frames(from + 12000 * k + 5000, 64);
  CHECK(code_of([&] { (void)run.session->capture(0.25); }) == ExitCode::kDevice);
}

TEST_CASE("a stream that ends is the device's failure, and no more is waited for") {
  BenchRun run("as-left");
  run.watched->ends_at = 60000;
  run.session->play({997}, -20);
  CHECK(code_of([&] { run.session->settle(5); }) == ExitCode::kDevice);
  run.session.reset();  // comes back
}

TEST_CASE("what cannot be played is refused") {
  BenchRun run("as-left");
  for (const double hz : {0.0, -5.0, 24000.0, std::nan("")}) {
    CHECK(code_of([&] { run.session->play({hz}, -20); }) == ExitCode::kUsage);
  }
  CHECK(code_of([&] { run.session->play({997}, 0.1); }) == ExitCode::kUsage);
  CHECK(code_of([&] { run.session->play({997}, std::nan("")); }) == ExitCode::kUsage);
  (void)run.session->capture(0.1);
  CHECK(run.journal.highest_played() == 0);
}

TEST_CASE("findings carry the conditions of the session") {
  BenchRun run("as-left");
  const Findings findings = run.session->begin_findings("tone");
  const auto has = [&](const char* key) {
    return std::any_of(findings.conditions.begin(), findings.conditions.end(),
                       [key](const Condition& condition) { return condition.key == key; });
  };
  for (const char* key : {"band_hz", "weighting", "sample_rate_hz", "profile", "calibrated",
                          "range", "load_ohm", "operator", "stream"}) {
    CAPTURE(key);
    CHECK(has(key));
  }
  CHECK_FALSE(has("drive_dbfs"));
}

}  // namespace
}  // namespace sinewright
