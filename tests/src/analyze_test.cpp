#include "measure/analyze.h"

#include <doctest/doctest.h>

#include <filesystem>

#include "../dsp/plateau_log.h"
#include "bench_run.h"
#include "measure/response.h"
#include "recorded.h"
#include "temporary_folder.h"
#include "within.h"

namespace sinewright {
namespace {

TEST_CASE("tone, silence, noise and two tones are measured as what they are") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -6, 1.5).silence(0.8).noise(-60, 1.5).tone(5000, -20, 1.5);
  const std::size_t from = record.samples.size();
  record.silence(1.5);
  add_line(std::span(record.samples).subspan(from), record.fs, {60, 0.2});
  add_line(std::span(record.samples).subspan(from), record.fs, {7000, 0.05});
  // Floats: silence would be dithered otherwise.
  write_recording(folder / "a.wav", record.samples, 48000, 1, SampleFormat::kFloat32);
  const RecordingFindings result = analyzed(folder / "a.wav");
  CHECK(result.error.empty());
  CHECK(result.sample_rate_hz == 48000);
  CHECK(result.channels == 1);
  CHECK(within(result.duration_s, 6.8, 1e-6));
  REQUIRE(kinds_of(result) == Kinds{"tone", "silence", "noise", "tone", "two_tones"});
  const auto& found = result.findings;
  CHECK(within(value_of(found[0], "fundamental", "1", Unit::kDbfs).value_or(0), -6, 1e-4));
  CHECK(within(value_of(found[0], "frequency", "1", Unit::kHertz).value_or(0), 997, 1e-4));
  // White noise up to 24 kHz: 20 kHz of it. 1.4 s: 0.3 % or 0.03 dB; four of them.
  CHECK(within(value_of(found[2], "noise", "1", Unit::kDbfs).value_or(0),
               -60 + db_of_power_ratio(20.04 / 24), 0.12));
  CHECK(within(value_of(found[3], "fundamental", "1", Unit::kDbfs).value_or(0), -20, 1e-4));
  CHECK(within(value_of(found[4], "frequency_1", "1", Unit::kHertz).value_or(0), 60, 0.01));
  CHECK(within(value_of(found[4], "frequency_2", "1", Unit::kHertz).value_or(0), 7000, 0.01));
  CHECK(within(value_of(found[4], "fundamental_1", "1", Unit::kDbfs).value_or(0), dbfs_of_rms(0.2),
               1e-3));
  CHECK(has_caution(found[1], "silence"));
  for (std::size_t i = 1; i < found.size(); ++i) CHECK(found[i].started_s >= found[i - 1].ended_s);
}

TEST_CASE("a clean tone in integers is limited by their steps, and says so") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -6, 2);
  for (const int bits : {16, 24}) {
    const SampleFormat format = bits == 16 ? SampleFormat::kInt16 : SampleFormat::kInt24;
    CAPTURE(bits);
    write_recording(folder / "q.wav", record.samples, 48000, 1, format);
    const RecordingFindings result = analyzed(folder / "q.wav");
    REQUIRE(kinds_of(result) == Kinds{"tone"});
    const Reading* noise = find_reading(result.findings[0], "noise", "1", Unit::kDbfs);
    REQUIRE(noise != nullptr);
    CHECK(noise->limited_by == "quantisation");
    // Triangular dither: q^2/4, of which 20.04 of 24 kHz are in band.
    const double step = std::ldexp(1.0, 1 - bits);
    const double expected_db = dbfs_of_rms(step / 2 * std::sqrt(20.04 / 24));
    CHECK(within(noise->value.value_or(0), expected_db, 0.15));
    CHECK(find_reading(result.findings[0], "thd_n", "1", Unit::kDb)->limited_by == "quantisation");
  }
  // The same with noise of its own is not.
  record.under_noise(-80);
  write_recording(folder / "n.wav", record.samples, 48000);
  const RecordingFindings noisy = analyzed(folder / "n.wav");
  REQUIRE(noisy.findings.size() == 1);
  CHECK(find_reading(noisy.findings[0], "noise", "1", Unit::kDbfs)->limited_by.empty());
}

TEST_CASE("a recorded sweep gives the response that the sweep gave live") {
  BenchRun run("as-left");
  ScriptedProgress progress;
  ResponseSettings settings;
  settings.limit_w = 90;
  settings.from_hz = 60;
  const Findings live = run_response(*run.session, settings, progress);
  run.session.reset();
  const TemporaryFolder folder;
  write_recording(folder / "sweep.wav", run.journal.read, 48000, 2);
  const RecordingFindings replayed = analyzed(folder / "sweep.wav");
  REQUIRE(replayed.summary.size() == 1);
  CHECK(replayed.summary[0].measurement == "response");
  for (const char* channel : {"left", "right"}) {
    CAPTURE(channel);
    const Curve* a = find_curve(live, "response", channel);
    const Curve* b = find_curve(replayed.summary[0], "response", channel);
    REQUIRE(a != nullptr);
    REQUIRE(b != nullptr);
    REQUIRE(a->points.size() == b->points.size());
    for (std::size_t i = 0; i < a->points.size(); ++i) {
      CAPTURE(a->points[i].x);
      CHECK(within(b->points[i].x / a->points[i].x, 1, 1e-4));
      CHECK(within(b->points[i].y.value_or(9), a->points[i].y.value_or(0), 0.01));
    }
  }
}

TEST_CASE("steps of level give a curve over level, and in watts with a profile") {
  const TemporaryFolder folder;
  Stretches record({48000});
  for (int k = 0; k < 6; ++k) record.tone(997, -30 + 4 * k, 0.5);
  // A stage that bends: third harmonic rises with the square of level.
  for (double& x : record.samples) x -= 0.02 * x * x * x;
  record.under_noise(-100);
  write_recording(folder / "levels.wav", record.samples, 48000);
  const RecordingFindings plain = analyzed(folder / "levels.wav");
  REQUIRE(plain.findings.size() == 6);
  REQUIRE(plain.summary.size() == 1);
  CHECK(plain.summary[0].measurement == "power");
  const Curve* curve = find_curve(plain.summary[0], "thd_n", "1");
  REQUIRE(curve != nullptr);
  REQUIRE(curve->points.size() == 6);
  CHECK(curve->x.unit == "dBFS");
  for (int k = 0; k < 6; ++k) {
    CHECK(within(curve->points[static_cast<std::size_t>(k)].x, -30 + 4 * k, 0.15));
  }
  // At -10 dBFS: h3 = 0.02/4 * 0.1 of the fundamental, 0.05 %.
  CHECK(within(curve->points.back().y.value_or(0), 0.05, 0.002));

  AnalyzeSettings settings;
  settings.chain.emplace(
      read_profile(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/simulated-bench.toml"),
      "high");
  settings.thresholds_percent = {0.03};
  const RecordingFindings watts = analyzed(folder / "levels.wav", settings);
  REQUIRE(watts.summary.size() == 1);
  const Curve* over_watts = find_curve(watts.summary[0], "thd_n", "1");
  REQUIRE(over_watts != nullptr);
  CHECK(over_watts->x.unit == "W");
  // -10 dBFS of 40 V in 8 ohm: 20 W, less what the bend takes.
  CHECK(within(over_watts->points.back().x, 20, 0.1));
  // 0.03 % where the amplitude squared is 0.06: 12 W, by a line between steps of 4 dB.
  const auto limit =
      value_of(watts.summary[0], "distortion_limited_output_0.03_percent", "1", Unit::kWatt);
  REQUIRE(limit);
  CHECK(within(db_of_power_ratio(*limit / 12), 0, 0.2));
}

TEST_CASE("a click is in the cautions wherever it falls") {
  const TemporaryFolder folder;
  for (int at = 48000; at < 48480; at += 60) {
    CAPTURE(at);
    Stretches record({48000});
    record.tone(997, -10, 2);
    record.samples[static_cast<std::size_t>(at)] += 0.1;
    write_recording(folder / "click.wav", record.samples, 48000);
    const RecordingFindings result = analyzed(folder / "click.wav");
    REQUIRE(kinds_of(result) == Kinds{"tone"});
    const auto& cautions = result.findings[0].cautions;
    const auto found = std::find_if(cautions.begin(), cautions.end(), [](const Caution& c) {
      return c.code == "click" || c.code == "transient";
    });
    REQUIRE(found != cautions.end());
    CHECK(within(found->at_s.value_or(0), at / 48000.0, 0.02));
  }
}

TEST_CASE("lost frames are placed and kept out of the figures") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -10, 3).under_noise(-100);
  record.samples.erase(record.samples.begin() + 70000, record.samples.begin() + 70007);
  write_recording(folder / "lost.wav", record.samples, 48000);
  const RecordingFindings result = analyzed(folder / "lost.wav");
  REQUIRE(kinds_of(result) == Kinds{"tone"});
  const auto& cautions = result.findings[0].cautions;
  REQUIRE(has_caution(result.findings[0], "discontinuity"));
  for (const Caution& caution : cautions) {
    if (caution.code == "discontinuity") CHECK(within(*caution.at_s, 70000 / 48000.0, 0.02));
  }
  const double thd_n_db = value_of(result.findings[0], "thd_n", "1", Unit::kDb).value_or(0);
  CHECK(within(thd_n_db, -90 + db_of_power_ratio(20.04 / 24), 0.3));
}

TEST_CASE("NaN and infinity are left out, counted, and break nothing") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -10, 2);
  record.samples[40000] = std::nan("");
  record.samples[40001] = std::numeric_limits<double>::infinity();
  record.samples[70000] = -std::numeric_limits<double>::infinity();
  write_recording(folder / "nan.wav", record.samples, 48000, 1, SampleFormat::kFloat64);
  const RecordingFindings result = analyzed(folder / "nan.wav");
  CHECK(result.error.empty());
  CHECK(kinds_of(result) == Kinds{"tone", "tone", "tone"});
  REQUIRE(result.cautions.size() == 1);
  CHECK(result.cautions[0].code == "not_finite");
  CHECK(result.cautions[0].text.find("3 frames") == 0);
  CHECK(within(result.cautions[0].at_s.value_or(0), 40000 / 48000.0, 1e-9));
  CHECK(within(result.duration_s, 2, 1e-9));
  std::fill(record.samples.begin(), record.samples.end(), std::nan(""));
  write_recording(folder / "all.wav", record.samples, 48000, 1, SampleFormat::kFloat64);
  const RecordingFindings none = analyzed(folder / "all.wav");
  CHECK(none.error.empty());
  CHECK(none.findings.empty());
}

TEST_CASE("zeros and a constant are silence; steps of one bit are not a tone") {
  const TemporaryFolder folder;
  std::vector<double> samples(48000, 0.0);
  write_recording(folder / "zero.wav", samples, 48000, 1, SampleFormat::kFloat32);
  CHECK(kinds_of(analyzed(folder / "zero.wav")) == Kinds{"silence"});
  std::fill(samples.begin(), samples.end(), 0.25);
  write_recording(folder / "dc.wav", samples, 48000, 1, SampleFormat::kFloat32);
  CHECK(kinds_of(analyzed(folder / "dc.wav")) == Kinds{"silence"});
  std::fill(samples.begin(), samples.end(), 0.0);
  write_recording(folder / "dither.wav", samples, 48000);  // 24 bits: dither alone
  CHECK(kinds_of(analyzed(folder / "dither.wav")) == Kinds{"noise"});
}

TEST_CASE("eight channels are each measured") {
  const TemporaryFolder folder;
  std::vector<double> frames(8 * 48000);
  for (std::size_t c = 0; c < 8; ++c) {
    std::vector<double> one(48000);
    add_line(one, {48000}, {997, 0.1 / static_cast<double>(c + 1)});
    for (std::size_t n = 0; n < one.size(); ++n) frames[8 * n + c] = one[n];
  }
  write_recording(folder / "eight.wav", frames, 48000, 8);
  const RecordingFindings result = analyzed(folder / "eight.wav");
  REQUIRE(kinds_of(result) == Kinds{"tone"});
  for (int c = 1; c <= 8; ++c) {
    CAPTURE(c);
    const auto level = value_of(result.findings[0], "fundamental", std::to_string(c), Unit::kDbfs);
    CHECK(within(level.value_or(0), dbfs_of_rms(0.1 / c), 1e-3));
  }
}

TEST_CASE("20 ms of a tone are measured or said to be short") {
  const TemporaryFolder folder;
  for (const double frequency_hz : {997.0, 100.0}) {
    CAPTURE(frequency_hz);
    Stretches record({48000});
    record.tone(frequency_hz, -10, 0.02);
    write_recording(folder / "short.wav", record.samples, 48000);
    const RecordingFindings result = analyzed(folder / "short.wav");
    CHECK(result.error.empty());
    CHECK(within(result.duration_s, 0.02, 1e-9));
    if (frequency_hz < 500) continue;  // two periods: whatever it is, it is no error
    REQUIRE(kinds_of(result) == Kinds{"tone"});
    CHECK(has_caution(result.findings[0], "short"));
    CHECK(within(value_of(result.findings[0], "fundamental", "1", Unit::kDbfs).value_or(0), -10,
                 0.01));
  }
}

TEST_CASE("any rate from 8 to 768 kHz") {
  const TemporaryFolder folder;
  for (const double rate_hz : {8000.0, 11025.0, 44100.0, 384000.0, 768000.0}) {
    CAPTURE(rate_hz);
    Stretches record({rate_hz});
    record.tone(997, -10, 1).tone(997, -16, 0.6);
    write_recording(folder / "rate.wav", record.samples, rate_hz);
    const RecordingFindings result = analyzed(folder / "rate.wav");
    REQUIRE(kinds_of(result) == Kinds{"tone", "tone"});
    for (const std::size_t i : {0UL, 1UL}) {
      const auto& found = result.findings[i];
      CHECK(within(value_of(found, "fundamental", "1", Unit::kDbfs).value_or(0), i == 0 ? -10 : -16,
                   1e-3));
      CHECK(value_of(found, "thd_n", "1", Unit::kDb).value_or(0) < -110);
    }
  }
}

TEST_CASE("a recording that was cut short is measured as far as it goes") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -10, 2);
  write_recording(folder / "cut.wav", record.samples, 48000);
  std::filesystem::resize_file(folder / "cut.wav",
                               std::filesystem::file_size(folder / "cut.wav") / 2);
  const RecordingFindings result = analyzed(folder / "cut.wav");
  CHECK(result.error.empty());
  CHECK(kinds_of(result) == Kinds{"tone"});
  CHECK(within(result.duration_s, 1, 0.01));
  REQUIRE_FALSE(result.cautions.empty());
  CHECK(result.cautions[0].code == "truncated");
}

TEST_CASE("what nothing can be measured in says so") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -10, 0.001);
  write_recording(folder / "tiny.wav", record.samples, 48000);
  const RecordingFindings result = analyzed(folder / "tiny.wav");
  CHECK(result.error.empty());
  CHECK((!result.findings.empty() || !result.cautions.empty()));
}

TEST_CASE("taken as noise, a tone is noise; taken as a tone, weak hum is a tone") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(50, -60, 2);
  write_recording(folder / "hum.wav", record.samples, 48000);
  CHECK(kinds_of(analyzed(folder / "hum.wav")) == Kinds{"noise"});
  AnalyzeSettings settings;
  settings.taken_as = TakenAs::kTone;
  CHECK(kinds_of(analyzed(folder / "hum.wav", settings)) == Kinds{"tone"});
  Stretches loud({48000});
  loud.tone(997, -6, 2);
  write_recording(folder / "tone.wav", loud.samples, 48000);
  settings.taken_as = TakenAs::kNoise;
  CHECK(kinds_of(analyzed(folder / "tone.wav", settings)) == Kinds{"noise"});
}

}  // namespace
}  // namespace sinewright
