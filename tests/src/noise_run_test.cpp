#include <doctest/doctest.h>

#include "bench_run.h"
#include "device/bench_truth.h"
#include "measure/noise.h"
#include "within.h"

namespace sinewright {
namespace {

/// An operator whose hands do as asked, at the simulated bench.
void follow(ScriptedOperator& person, const BenchRun& run) {
  person.on_question = [&run](const std::string& text) {
    if (text.rfind("Short the input", 0) == 0) run.bench().set_input_shorted(true);
    if (text.rfind("Remove the short", 0) == 0) run.bench().set_input_shorted(false);
    if (text.rfind("Switch the unit off", 0) == 0) run.bench().set_powered(false);
    if (text.rfind("Switch the unit on", 0) == 0) run.bench().set_powered(true);
  };
}

std::string state_of(const Findings& findings) {
  for (const Condition& condition : findings.conditions) {
    if (condition.key == "state") return std::get<std::string>(condition.value);
  }
  return "";
}

std::vector<std::string> patterns_of(const Findings& findings) {
  std::vector<std::string> found;
  for (const Caution& caution : findings.cautions) {
    if (caution.code == "pattern") found.push_back(caution.text);
  }
  return found;
}

bool any_has(const std::vector<std::string>& texts, const std::string& part) {
  return std::any_of(texts.begin(), texts.end(),
                     [&](const std::string& text) { return text.find(part) != std::string::npos; });
}

NoiseRunSettings brief() {
  NoiseRunSettings settings;
  settings.duration_s = 2;
  return settings;
}

TEST_CASE("the noise of the bench is the true one, state by state") {
  for (const char* state : {"as-left", "as-found"}) {
    CAPTURE(state);
    BenchRun run(state, "low");
    ScriptedOperator person;
    follow(person, run);
    ScriptedProgress progress;
    NoiseRunSettings settings = brief();
    settings.relative_to_w = 62;
    const std::vector<Findings> all = run_noise(*run.session, settings, progress, person);
    REQUIRE(all.size() == 3);
    CHECK(state_of(all[0]) == "as connected");
    CHECK(state_of(all[1]) == "input shorted");
    CHECK(state_of(all[2]) == "off");
    REQUIRE(person.asked.size() == 4);
    CHECK(person.asked[0].find("Short the input") == 0);
    CHECK(person.asked[1].find("Remove the short") == 0);
    CHECK(person.asked[2].find("Switch the unit off") == 0);
    CHECK(person.asked[3].find("Switch the unit on") == 0);
    CHECK(run.journal.highest_played() == 0);
    for (const Findings& findings : all) {
      CHECK(problems_of(findings).empty());
      TruthConditions conditions;
      conditions.range = "low";
      conditions.is_driven = {false, false};
      conditions.is_input_shorted = state_of(findings) == "input shorted";
      conditions.is_powered = state_of(findings) != "off";
      const BenchTruth truth = bench_truth(run.scenario, conditions);
      CAPTURE(state_of(findings));
      for (const std::size_t c : {kLeft, kRight}) {
        CAPTURE(c);
        const auto volts = [&](const char* key) {
          return value_of(findings, key, channel_name(c), Unit::kVolt).value_or(0);
        };
        const SpectrumTruth& expected = truth.channels[c].as_read;
        // 80000 degrees of freedom: 0.25 % for one standard deviation of an RMS; six of them.
        CHECK(within(volts("noise") / expected.level_vrms, 1, 0.015));
        if (!conditions.is_powered) continue;
        CHECK(within(volts("broadband") / expected.noise_vrms, 1, 0.015));
        CHECK(within(volts("hum") / expected.hum_vrms, 1, 0.01));
        const Curve* lines = find_curve(findings, "hum_lines", channel_name(c));
        REQUIRE(lines != nullptr);
        for (const SimulatedHumLine& line : truth.channels[c].hum) {
          if (line.level_vrms < 1e-4) continue;
          CAPTURE(line.order);
          const double at_hz = line.order * run.scenario.mains_frequency_hz;
          const auto found =
              std::find_if(lines->points.begin(), lines->points.end(),
                           [&](const CurvePoint& p) { return within(p.x, at_hz, 0.5); });
          REQUIRE(found != lines->points.end());
          // Noise in the half hertz or so that two seconds resolve.
          CHECK(within(found->y.value_or(0), line.level_vrms, 0.01 * line.level_vrms + 3e-6));
        }
      }
      if (conditions.is_powered) {
        // 10 lines of 14 mV to 0.1 mV in noise of 0.15 mV, over 2 s: a few millihertz.
        CHECK(within(value_of(findings, "mains_frequency", "pair", Unit::kHertz).value_or(0),
                     run.scenario.mains_frequency_hz, 0.005));
      }
    }
    const double reference_vrms = std::sqrt(62 * 8.0);
    const auto snr = value_of(all[0], "snr", "left", Unit::kDb);
    const auto noise = value_of(all[0], "noise", "left", Unit::kVolt);
    REQUIRE(snr);
    REQUIRE(noise);
    CHECK(within(*snr, db_of_amplitude_ratio(reference_vrms / *noise), 1e-6));
    CHECK(find_reading(all[1], "snr", "left", Unit::kDb) == nullptr);
  }
}

TEST_CASE("the fault of the left channel is explained once the unit was off") {
  BenchRun run("as-found", "low");
  ScriptedOperator person;
  follow(person, run);
  ScriptedProgress progress;
  const std::vector<Findings> all = run_noise(*run.session, brief(), progress, person);
  const std::vector<std::string> patterns = patterns_of(all[0]);
  CHECK(any_has(patterns, "left: 100 Hz and its even multiples lead"));
  CHECK(any_has(patterns, "only left hums"));
  CHECK(any_has(patterns, "left: it stays when the input is shorted"));
  CHECK_FALSE(any_has(patterns, "right: "));
  for (const std::string& text : patterns) CHECK(text.find("common practice") != std::string::npos);
}

TEST_CASE("without the reading with the unit off nothing is explained") {
  ScriptedProgress progress;
  NoiseRunSettings settings = brief();
  settings.duration_s = 0.6;
  settings.reads_off = false;
  SUBCASE("not asked for") {
    BenchRun run("as-found", "low");
    ScriptedOperator person;
    follow(person, run);
    const std::vector<Findings> all = run_noise(*run.session, settings, progress, person);
    CHECK(all.size() == 2);
    const std::vector<std::string> patterns = patterns_of(all[0]);
    REQUIRE(patterns.size() == 1);
    CHECK(any_has(patterns, "not explained"));
  }
  SUBCASE("declined") {
    BenchRun run("as-found", "low");
    settings.reads_off = true;
    ScriptedOperator person;
    person.consents = false;
    const std::vector<Findings> all = run_noise(*run.session, settings, progress, person);
    CHECK(all.size() == 1);
    CHECK(person.asked.size() == 2);
    const std::vector<std::string> patterns = patterns_of(all[0]);
    REQUIRE(patterns.size() == 1);
    CHECK(any_has(patterns, "not explained"));
  }
}

TEST_CASE("hum that stays with the unit off is the bench's") {
  BenchRun run("as-found", "low");
  ScriptedOperator person;  // whose hands do nothing
  ScriptedProgress progress;
  const std::vector<Findings> all = run_noise(*run.session, brief(), progress, person);
  REQUIRE(all.size() == 3);
  CHECK(any_has(patterns_of(all[0]), "left: with the unit off the hum is much the same"));
  CHECK_FALSE(any_has(patterns_of(all[0]), "even multiples"));
}

TEST_CASE("a range too high for the noise is named") {
  Scenario scenario = larkfield("as-left");
  for (ReceiverChannel& channel : scenario.receiver.channels) channel.hum.clear();
  BenchRun run(scenario, "high");
  ScriptedOperator person;
  person.consents = false;
  ScriptedProgress progress;
  const std::vector<Findings> all = run_noise(*run.session, brief(), progress, person);
  CHECK(has_caution(all[0], "range_too_high"));
  BenchRun low("as-left", "low");
  CHECK_FALSE(has_caution(run_noise(*low.session, brief(), progress, person)[0], "range_too_high"));
}

TEST_CASE("frames lost make the noise start anew; three times is the device's failure") {
  NoiseRunSettings settings;
  settings.duration_s = 1;
  settings.reads_off = settings.reads_shorted = false;
  ScriptedOperator person;
  ScriptedProgress progress;
  SUBCASE("once") {
    BenchRun run("as-left", "low");
    run.bench().lose_frames(40000, 64);
    const std::vector<Findings> all = run_noise(*run.session, settings, progress, person);
    REQUIRE(all.size() == 1);
    CHECK(all[0].started_s * 48000 >= 40000);
    CHECK(within(all[0].ended_s - all[0].started_s, 1, 1e-3));
  }
  SUBCASE("again and again") {
    BenchRun run("as-left", "low");
    for (std::int64_t at = 30000; at < 300000; at += 24000) run.bench().lose_frames(at, 64);
    CHECK(code_of([&] { (void)run_noise(*run.session, settings, progress, person); }) ==
          ExitCode::kDevice);
  }
}

TEST_CASE("noise that is cancelled keeps the readings it has") {
  BenchRun run("as-left", "low");
  ScriptedOperator person;
  follow(person, run);
  // 20 reports for the first reading, then early in the second.
  ScriptedProgress progress(22);
  const std::vector<Findings> all = run_noise(*run.session, brief(), progress, person);
  REQUIRE(all.size() == 1);
  CHECK(state_of(all[0]) == "as connected");
  CHECK(problems_of(all[0]).empty());
}

TEST_CASE("noise settings out of bounds are refused") {
  const auto refuses = [](auto change) {
    BenchRun run("as-left", "low");
    NoiseRunSettings settings = brief();
    change(settings);
    ScriptedOperator person;
    ScriptedProgress progress;
    return code_of([&] { (void)run_noise(*run.session, settings, progress, person); }) ==
           ExitCode::kUsage;
  };
  CHECK(refuses([](auto& s) { s.duration_s = 0.4; }));
  CHECK(refuses([](auto& s) { s.duration_s = std::nan(""); }));
  CHECK(refuses([](auto& s) { s.relative_to_w = 0; }));
  CHECK(refuses([](auto& s) { s.relative_to_w = -5; }));
  CHECK(refuses([](auto& s) { s.relative_to_vrms = std::nan(""); }));
}

}  // namespace
}  // namespace sinewright
