#include "measure/power.h"

#include <doctest/doctest.h>

#include "bench_run.h"
#include "device/bench_truth.h"
#include "within.h"

namespace sinewright {
namespace {

PowerSettings confirmed(double limit_w = 0) {
  PowerSettings settings;
  settings.is_confirmed = true;
  settings.has_guidance = false;
  settings.limit_w = limit_w;
  return settings;
}

double highest(const std::vector<double>& values) {
  return *std::max_element(values.begin(), values.end());
}

/// Highest watts of either channel in 20 ms, as they came back.
double highest_watts(const BenchRun& run) {
  return std::max(highest(run.journal.watts(kLeft, 20)), highest(run.journal.watts(kRight, 20)));
}

TEST_CASE("a checklist that is refused: nothing is played") {
  BenchRun run("as-left");
  PowerSettings settings;
  ScriptedOperator person;
  person.consents = false;
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)run_power(*run.session, settings, progress, person); }) ==
        ExitCode::kRefused);
  REQUIRE(person.asked.size() == 1);
  CHECK(person.asked[0].find("dummy load") != std::string::npos);
  run.session.reset();
  CHECK(run.journal.highest_played() == 0);
}

TEST_CASE("up to 1 W nothing is asked") {
  BenchRun run("as-left");
  PowerSettings settings;
  settings.limit_w = 1;
  settings.has_guidance = false;
  ScriptedOperator person;
  person.consents = false;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
  CHECK(person.asked.empty());
  REQUIRE(all.size() == 1);
  CHECK(has_caution(all[0], "power_limit"));
  CHECK(highest_watts(run) < 1.02);
}

void check_limits(const std::string& state) {
  BenchRun run(state);
  ScriptedOperator person;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(*run.session, confirmed(), progress, person);
  CHECK(person.asked.empty());
  CHECK(progress.is_in_range);
  REQUIRE(all.size() == 1);
  const Findings& findings = all[0];
  CHECK(problems_of(findings).empty());
  for (const std::size_t c : {kLeft, kRight}) {
    CAPTURE(c);
    const Curve* curve = find_curve(findings, "thd_n", channel_name(c));
    REQUIRE(curve != nullptr);
    CHECK(curve->points.size() >= 15);
    CHECK(std::is_sorted(curve->points.begin(), curve->points.end(),
                         [](const CurvePoint& a, const CurvePoint& b) { return a.x < b.x; }));
    for (const double percent : {0.1, 1.0}) {
      CAPTURE(percent);
      const std::string key = percent < 1 ? "distortion_limited_output_0.1_percent"
                                          : "distortion_limited_output_1_percent";
      const Reading* reading = find_reading(findings, key, channel_name(c), Unit::kWatt);
      REQUIRE(reading != nullptr);
      const auto truth = output_limit_truth(run.scenario, {}, c, percent);
      REQUIRE(reading->value.has_value() == truth.has_value());
      if (!truth) {
        CHECK_FALSE(reading->note.empty());
        continue;
      }
      const double truth_w = truth->channels[c].as_read.watts;
      CHECK(within(db_of_power_ratio(*reading->value / truth_w), 0, 0.1));
    }
  }
  CHECK(highest_watts(run) < 90 * 1.02);
  CHECK(std::isinf(run.session->drive_dbfs()));
}

TEST_CASE("output limited by distortion is the true one, as left") { check_limits("as-left"); }

TEST_CASE("output limited by distortion is the true one, as found") { check_limits("as-found"); }

TEST_CASE("no step is driven above the limit") {
  for (const double limit_w : {5.0, 20.0, 50.0}) {
    CAPTURE(limit_w);
    BenchRun run("as-left");
    ScriptedOperator person;
    ScriptedProgress progress;
    PowerSettings settings = confirmed(limit_w);
    settings.step_db = 3;
    const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
    REQUIRE(all.size() == 1);
    CHECK(has_caution(all[0], "power_limit"));
    const double loudest_w = highest_watts(run);
    // Gain varies by less than 0.1 dB with level; hum and windows that hold no whole periods add.
    CHECK(loudest_w < 1.03 * limit_w);
    // And the limit is reached, not merely respected.
    CHECK(loudest_w > 0.95 * limit_w);
    const auto output = value_of(all[0], "highest_output", "left", Unit::kWatt);
    REQUIRE(output);
    CHECK(*output <= 1.005 * limit_w);
  }
}

TEST_CASE("a last turn of the volume, after the last reading, is heard faintly first") {
  BenchRun run("as-left");
  run.bench().set_volume_db(-35);
  ScriptedOperator person;
  person.on_turning = [&](const std::string&) {
    run.bench().set_volume_db(0);
    return true;
  };
  ScriptedProgress progress;
  PowerSettings settings = confirmed(5);
  settings.has_guidance = true;
  settings.from_w = 2;
  const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
  REQUIRE(all.size() == 1);
  CHECK(has_caution(all[0], "over_limit"));
  CHECK(highest_watts(run) < 1.3);  // of -40 dBFS; the step of old came to 50 W
}

TEST_CASE("the load's rating is a limit too") {
  Journal journal;
  auto stream = std::make_unique<WatchedBench>(larkfield("as-left"), SampleRate{48000}, journal);
  stream->bench.set_volume_db(-20);
  Profile profile =
      read_profile(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/simulated-bench.toml");
  profile.load.rated_w = 10;
  Session session(std::move(stream), Chain(profile, "high"), {});
  ScriptedOperator person;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(session, confirmed(), progress, person);
  CHECK(highest(journal.watts(kLeft, 20)) < 10.3);
  REQUIRE(all.size() == 1);
  CHECK(has_caution(all[0], "power_limit"));
}

TEST_CASE("a gain that jumps by 20 dB: the drive is cut") {
  BenchRun run("as-left");
  // Once the climb has passed 2 W.
  bool has_stepped = false;
  double stepped_at_w = 0;
  run.watched->before_read = [&] {
    if (has_stepped || run.watched->frames_read < 960) return;
    const std::vector<double>& read = run.journal.read;
    double sum = 0;
    for (std::size_t i = read.size() - 1920; i < read.size(); i += 2) sum += read[i] * read[i];
    stepped_at_w = std::pow(std::sqrt(2 * sum / 960) * 40, 2) / 8;
    if (stepped_at_w < 2) return;
    has_stepped = true;
    for (const std::size_t c : {kLeft, kRight}) {
      run.bench().step_gain(run.watched->frames_read + 100, c, 20);
    }
  };
  ScriptedOperator person;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(*run.session, confirmed(20), progress, person);
  REQUIRE(has_stepped);
  REQUIRE(all.size() == 1);
  CHECK((has_caution(all[0], "over_limit") || has_caution(all[0], "input_clipped")));
  // Above the limit until it is seen, silenced and has come back: a read of 20 ms, the loop's delay
  // of 21 ms, a ramp of 10 ms, and two windows cut at the ends.
  const std::vector<double> watts = run.journal.watts(kLeft, 20);
  const auto too_much = std::count_if(watts.begin(), watts.end(), [](double w) { return w > 22; });
  CHECK(static_cast<double>(too_much) * 0.02 <= 0.1);
  CHECK(too_much > 0);
  // And nothing played after.
  run.session.reset();
  CHECK(watts.back() < 1e-3);
}

TEST_CASE("a channel that vanishes ends the climb") {
  BenchRun run("as-left");
  run.watched->before_read = [&, is_done = false]() mutable {
    if (is_done || run.watched->frames_read < 180000) return;
    is_done = true;
    run.bench().kill_channel(run.watched->frames_read + 100, kRight);
  };
  ScriptedOperator person;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_power(*run.session, confirmed(), progress, person);
  REQUIRE(all.size() == 1);
  REQUIRE(has_caution(all[0], "channel_lost"));
  CHECK(problems_of(all[0]).empty());
  const auto lost = std::find_if(all[0].cautions.begin(), all[0].cautions.end(),
                                 [](const Caution& c) { return c.code == "channel_lost"; });
  CHECK(lost->text.find("right") != std::string::npos);
  // What was measured before it is kept.
  const Curve* curve = find_curve(all[0], "thd_n", "left");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() >= 2);
}

TEST_CASE("an input that clips hides no watts") {
  Scenario loud = larkfield("as-left");
  loud.receiver.gain_db += 25;
  BenchRun run(loud, "low");
  run.bench().set_volume_db(0);
  PowerSettings settings = confirmed();
  settings.limit_w = 1;
  ScriptedOperator person;
  ScriptedProgress progress;
  // At full scale the low range reads 0.5 W whatever there is.
  CHECK_THROWS_WITH_AS(static_cast<void>(run_power(*run.session, settings, progress, person)),
                       doctest::Contains("the drive was cut"), Error);
  CHECK(run.journal.highest_played() <= 1.01e-3);  // -60 dBFS, no more
}

TEST_CASE("a volume so high that the first tone is above the limit is refused") {
  BenchRun run("as-left");
  run.bench().set_volume_db(0);  // 1.1 W at -40 dBFS
  PowerSettings settings = confirmed(0.5);
  ScriptedOperator person;
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)run_power(*run.session, settings, progress, person); }) ==
        ExitCode::kRefused);
  run.session.reset();
  CHECK(run.journal.highest_played() <= 0.0101);
}

TEST_CASE("nothing comes back: refused") {
  BenchRun run("as-left");
  run.bench().set_powered(false);
  ScriptedOperator person;
  ScriptedProgress progress;
  CHECK(code_of([&] { (void)run_power(*run.session, confirmed(), progress, person); }) ==
        ExitCode::kRefused);
  run.session.reset();
  CHECK(run.journal.highest_played() <= 0.0101);
}

TEST_CASE("the volume is guided at -40 dBFS until the limit is within reach") {
  BenchRun run("as-left");
  run.bench().set_volume_db(-45);
  ScriptedOperator person;
  int turns = 0;
  person.on_turning = [&](const std::string& text) {
    // The operator turns it up by 8 dB at a time until told that it is enough.
    if (text.rfind("enough", 0) == 0) return true;
    CHECK(text.rfind("turn the volume up", 0) == 0);
    CHECK(run.journal.highest_played() <= 0.0101);
    run.bench().set_volume_db(run.bench().volume_db() + 8);
    return ++turns > 10;
  };
  ScriptedProgress progress;
  PowerSettings settings = confirmed(20);
  settings.has_guidance = true;
  const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
  CHECK(turns >= 2);
  CHECK(turns <= 6);
  REQUIRE(all.size() == 1);
  CHECK(has_caution(all[0], "power_limit"));
}

TEST_CASE("drive that runs out says so") {
  BenchRun run("as-left");
  run.bench().set_volume_db(-35);
  ScriptedOperator person;
  ScriptedProgress progress;
  PowerSettings settings = confirmed();
  settings.step_db = 4;
  const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
  REQUIRE(all.size() == 1);
  CHECK(has_caution(all[0], "drive_ran_out"));
  CHECK(run.journal.highest_played() <= 1);
}

TEST_CASE("a climb that is cancelled keeps its steps and falls silent") {
  BenchRun run("as-left");
  ScriptedOperator person;
  ScriptedProgress progress(6);
  const std::vector<Findings> all = run_power(*run.session, confirmed(), progress, person);
  REQUIRE(all.size() == 1);
  const Curve* curve = find_curve(all[0], "thd_n", "left");
  REQUIRE(curve != nullptr);
  CHECK(curve->points.size() >= 5);
  CHECK(curve->points.size() <= 6);
  CHECK(has_caution(all[0], "stopped"));
  CHECK(std::isinf(run.session->drive_dbfs()));
}

TEST_CASE("one channel driven: the other is not in the limits") {
  BenchRun run("as-left");
  ScriptedOperator person;
  ScriptedProgress progress;
  PowerSettings settings = confirmed(20);
  settings.driven = Driven::kRight;
  const std::vector<Findings> all = run_power(*run.session, settings, progress, person);
  REQUIRE(all.size() == 1);
  CHECK(find_curve(all[0], "thd_n", "left") == nullptr);
  CHECK(find_curve(all[0], "thd_n", "right") != nullptr);
  CHECK(highest(run.journal.watts(kLeft, 20)) < 0.01);
  for (std::size_t i = 0; i < run.journal.played.size(); i += 2) {
    if (run.journal.played[i] != 0) {
      FAIL("left was played");
      break;
    }
  }
}

TEST_CASE("full power above 10 kHz is short, with rests") {
  BenchRun run("as-left");
  ScriptedOperator person;
  ScriptedProgress progress;
  PowerSettings settings = confirmed(20);
  settings.frequencies_hz = {15000};
  (void)run_power(*run.session, settings, progress, person);
  // Windows above a quarter of the limit, one after the other: a second at the most.
  const std::vector<double> watts = run.journal.watts(kLeft, 20);
  int longest = 0;
  int now = 0;
  for (const double w : watts) {
    now = w > 5.2 ? now + 1 : 0;
    longest = std::max(longest, now);
  }
  CHECK(longest > 0);
  CHECK(longest * 0.02 <= 1);
}

TEST_CASE("settings out of bounds are refused before anything is played") {
  const auto refuses = [](auto change) {
    BenchRun run("as-left");
    PowerSettings settings = confirmed();
    change(settings);
    ScriptedOperator person;
    ScriptedProgress progress;
    const auto code = code_of([&] { (void)run_power(*run.session, settings, progress, person); });
    run.session.reset();
    return code == ExitCode::kUsage && run.journal.highest_played() == 0;
  };
  const double nan = std::nan("");
  CHECK(refuses([](auto& s) { s.limit_w = 91; }));  // the profile's is 90
  CHECK(refuses([](auto& s) { s.limit_w = -1; }));
  CHECK(refuses([&](auto& s) { s.limit_w = nan; }));
  CHECK(refuses([](auto& s) { s.from_w = 90; }));
  CHECK(refuses([&](auto& s) { s.from_w = nan; }));
  CHECK(refuses([](auto& s) { s.frequencies_hz = {}; }));
  CHECK(refuses([](auto& s) { s.frequencies_hz = {997, 22000}; }));
  CHECK(refuses([](auto& s) { s.thresholds_percent = {0}; }));
  CHECK(refuses([](auto& s) { s.step_db = 0; }));
  CHECK(refuses([](auto& s) { s.step_s = 11; }));
  CHECK(refuses([&](auto& s) { s.ceiling_percent = nan; }));
}

}  // namespace
}  // namespace sinewright
