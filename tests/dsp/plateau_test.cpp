#include "dsp/plateau.h"

#include <doctest/doctest.h>

#include <string>

#include "dsp/noise.h"
#include "plateau_log.h"
#include "within.h"

namespace sinewright {
namespace {

/// Exactly one plateau, which spans the record from its first frame to its last.
void check_is_one(const std::vector<FoundPlateau>& found, PlateauKind kind, std::size_t frames) {
  REQUIRE(found.size() == 1);
  CHECK(found[0].start.kind == kind);
  CHECK(found[0].start.begin == 0);
  CHECK(found[0].end == static_cast<std::int64_t>(frames));
  CHECK(found[0].frames == static_cast<std::int64_t>(frames));
  CHECK(found[0].breaks.empty());
}

TEST_CASE("a steady tone is one plateau from the first frame to the last") {
  struct Case {
    double rate_hz;
    double frequency_hz;
    double level_dbfs;
  };
  std::vector<Case> cases;
  for (const double rate_hz : {44100.0, 48000.0, 96000.0, 192000.0}) {
    for (const double frequency_hz : {20.0, 63.0, 997.0, 5000.0, 19999.0, 0.45 * rate_hz}) {
      cases.push_back({rate_hz, frequency_hz, -20});
    }
  }
  for (const double level_dbfs : {0.0, -60.0, -100.0}) cases.push_back({48000, 1000, level_dbfs});
  // Frequencies in step with the rate, and just off it.
  for (const double hz : {12000.0, 12000.3, 16000.0, 6000.0}) cases.push_back({48000, hz, -3});
  for (const Case& one : cases) {
    CAPTURE(one.rate_hz);
    CAPTURE(one.frequency_hz);
    CAPTURE(one.level_dbfs);
    Stretches record({one.rate_hz});
    record.tone(one.frequency_hz, one.level_dbfs, 0.7);
    const auto found = plateaus_of(record.samples, record.fs);
    check_is_one(found, PlateauKind::kTone, record.samples.size());
    if (found.empty()) continue;
    // The analysis asks for a guess within half a bin of its block.
    CHECK(within(found[0].start.frequency_hz[0], one.frequency_hz, 0.5 / 0.7));
  }
}

TEST_CASE("a tone of 5 Hz is one plateau") {
  Stretches record({48000});
  record.tone(5, -20, 4);
  check_is_one(plateaus_of(record.samples, record.fs), PlateauKind::kTone, record.samples.size());
}

TEST_CASE("a tone as short as a few hops is one plateau") {
  for (const double duration_s : {0.02, 0.035, 0.05, 0.1}) {
    CAPTURE(duration_s);
    Stretches record({48000});
    record.tone(997, -20, duration_s);
    check_is_one(plateaus_of(record.samples, record.fs), PlateauKind::kTone, record.samples.size());
  }
}

/// One plateau each for the stretches between `edges`, within a hop of them and never across one.
void check_edges(const std::vector<FoundPlateau>& found, const std::vector<std::int64_t>& edges,
                 double hop) {
  REQUIRE(found.size() == edges.size() - 1);
  for (std::size_t i = 0; i < found.size(); ++i) {
    CAPTURE(i);
    const auto begin_late = static_cast<double>(found[i].start.begin - edges[i]);
    const auto end_early = static_cast<double>(edges[i + 1] - found[i].end);
    CAPTURE(begin_late);
    CAPTURE(end_early);
    CHECK(begin_late >= -hop / 8);
    CHECK(begin_late <= hop);
    CHECK(end_early >= -hop / 8);
    CHECK(end_early <= hop);
    CHECK(found[i].breaks.empty());
  }
}

TEST_CASE("steps of level are edges, each within a hop") {
  for (const double step_db : {0.1, 0.2, 0.5, 1.0, 6.0, 20.0, -0.1, -1.0, -20.0}) {
    CAPTURE(step_db);
    Stretches record({48000});
    // Edges at no multiple of a hop, and at four places within one.
    std::vector<std::int64_t> edges = {0};
    for (int k = 0; k < 4; ++k) {
      record.tone(997, -23 + (k % 2) * step_db, 0.4 + 0.0026 * k);
      edges.push_back(record.here());
    }
    check_edges(plateaus_of(record.samples, record.fs), edges, hop_frames(record.fs, 997));
  }
}

TEST_CASE("below 0.03 dB the level is the same") {
  // 0.035 dB is what the detector allows, whatever the noise.
  Stretches record({48000});
  record.tone(997, -23, 0.5).tone(997, -22.98, 0.5);
  check_is_one(plateaus_of(record.samples, record.fs), PlateauKind::kTone, record.samples.size());
}

TEST_CASE("a sweep in third octaves is a plateau for each step") {
  for (const double rate_hz : {44100.0, 48000.0, 96000.0}) {
    for (const double share_of_noise_dbfs : {-300.0, -80.0}) {
      CAPTURE(rate_hz);
      CAPTURE(share_of_noise_dbfs);
      Stretches record({rate_hz});
      std::vector<std::int64_t> edges = {0};
      std::vector<double> frequencies_hz;
      for (int n = -17; n <= 13; ++n) {
        const double hz = 1000 * std::pow(10, n * 0.1);
        frequencies_hz.push_back(hz);
        record.tone(hz, -20, 0.15 + 12 / hz);  // settling and five periods or more
        edges.push_back(record.here());
      }
      record.under_noise(share_of_noise_dbfs);
      const auto found = plateaus_of(record.samples, record.fs);
      // The hop of the lowest: edges of the others are nearer.
      check_edges(found, edges, hop_frames(record.fs, 20));
      for (std::size_t i = 0; i < std::min(found.size(), frequencies_hz.size()); ++i) {
        CAPTURE(frequencies_hz[i]);
        CHECK(found[i].start.kind == PlateauKind::kTone);
        CHECK(within(found[i].start.frequency_hz[0] / frequencies_hz[i], 1, 0.01));
      }
    }
  }
}

TEST_CASE("silence, tone and noise follow each other") {
  Stretches record({48000});
  std::vector<std::int64_t> edges = {0};
  const auto mark = [&] { edges.push_back(record.here()); };
  record.silence(0.803);
  mark();
  record.tone(997, -20, 0.804);
  mark();
  record.silence(0.805);
  mark();
  record.tone(4000, -6, 0.706);
  mark();
  record.noise(-60, 0.911);
  mark();
  record.tone(80, -6, 0.707);
  mark();
  const auto found = plateaus_of(record.samples, record.fs);
  // Silence and noise are followed in hops of 100 ms.
  check_edges(found, edges, 0.1 * record.fs.hz);
  const std::vector<PlateauKind> expected = {PlateauKind::kSilence, PlateauKind::kTone,
                                             PlateauKind::kSilence, PlateauKind::kTone,
                                             PlateauKind::kNoise,   PlateauKind::kTone};
  REQUIRE(found.size() == expected.size());
  for (std::size_t i = 0; i < expected.size(); ++i) CHECK(found[i].start.kind == expected[i]);
  // Of a tone, no frame may be of another state: not one sample of silence.
  CHECK(found[1].start.begin >= edges[1]);
  CHECK(found[1].end <= edges[2]);
}

TEST_CASE("a plateau holds no frame of the other level") {
  // A step of 6 dB anywhere within a hop: the tone's samples and no others.
  for (int shift = 0; shift < 480; shift += 37) {
    CAPTURE(shift);
    Stretches record({48000});
    record.tone(997, -26, 0.4 + shift / 48000.0);
    const std::int64_t edge = record.here();
    record.tone(997, -20, 0.4);
    const auto found = plateaus_of(record.samples, record.fs);
    REQUIRE(found.size() == 2);
    CHECK(found[0].end <= edge);
    CHECK(found[1].start.begin >= edge);
  }
}

TEST_CASE("a turning knob is no plateau while it turns") {
  for (const double rate_db_per_s : {1.0, 3.0, -3.0, 6.0, 20.0, -20.0}) {
    CAPTURE(rate_db_per_s);
    Stretches record({48000});
    const double turned_s = 12 / std::abs(rate_db_per_s);
    record.tone(997, -30, 1);
    const std::int64_t turns = record.here();
    record.tone(997, -30, turned_s, rate_db_per_s);
    const std::int64_t stops = record.here();
    record.tone(997, -30 + rate_db_per_s * turned_s, 1);
    const auto found = plateaus_of(record.samples, record.fs);
    std::int64_t within_turn = 0;
    for (const FoundPlateau& one : found) {
      if (one.start.kind == PlateauKind::kUnclassified) continue;
      within_turn +=
          std::max<std::int64_t>(0, std::min(one.end, stops) - std::max(one.start.begin, turns));
    }
    CHECK(count_of(found, PlateauKind::kTone) == 2);
    // Two hops on either side, or as long as it has moved by less than 0.08 dB: a slow turn is seen
    // when half a decibel a second stands out over sixteen hops.
    const double unseen = 0.08 / std::abs(rate_db_per_s) * record.fs.hz;
    CHECK(static_cast<double>(within_turn) <= std::max(4.0 * hop_frames(record.fs, 997), unseen));
  }
}

TEST_CASE("steady noise is not split in a minute") {
  const SampleRate fs{44100};
  const auto frames = static_cast<std::size_t>(60 * fs.hz);
  std::vector<double> samples(frames);
  SUBCASE("white") { add_noise(samples, 1e-3, 3); }
  SUBCASE("pink") { PinkNoise(fs, 1e-2, 4).fill(samples, 1); }
  SUBCASE("hum and noise") {
    add_noise(samples, 3e-5, 5);
    for (int order = 1; order <= 10; ++order) {
      add_line(samples, fs, {50.03 * order, 1e-3 / order, 0.7 * order});
    }
  }
  check_is_one(plateaus_of(samples, fs), PlateauKind::kNoise, frames);
}

TEST_CASE("noise that steps is split where it steps") {
  Stretches record({48000});
  record.noise(-60, 2.03, 1);
  const std::int64_t edge = record.here();
  record.noise(-57, 2, 2);
  const auto found = plateaus_of(record.samples, record.fs);
  REQUIRE(found.size() == 2);
  // 3 dB in slices of 10 ms are told by whole hops of 100 ms only.
  CHECK(within(static_cast<double>(found[0].end), static_cast<double>(edge), 0.2 * 48000));
}

TEST_CASE("two tones are two tones") {
  struct Pair {
    double low_hz, high_hz, low_to_high;
  };
  for (const Pair& pair : {Pair{60, 7000, 4}, Pair{250, 8000, 4}, Pair{19000, 20000, 1}}) {
    CAPTURE(pair.low_hz);
    const SampleRate fs{96000};
    std::vector<double> samples(96000);
    add_line(samples, fs, {pair.low_hz, 0.2, 0.3});
    add_line(samples, fs, {pair.high_hz, 0.2 / pair.low_to_high, 0.9});
    add_noise(samples, 1e-5, 9);
    const auto found = plateaus_of(samples, fs);
    check_is_one(found, PlateauKind::kTwoTones, samples.size());
    if (found.empty() || found[0].start.second_hz.empty()) continue;
    const double first = found[0].start.frequency_hz[0];
    const double second = found[0].start.second_hz[0];
    CHECK(within(std::min(first, second), pair.low_hz, 0.5));
    CHECK(within(std::max(first, second), pair.high_hz, 0.5));
  }
}

TEST_CASE("a tone with company is still one tone") {
  const SampleRate fs{48000};
  std::vector<double> samples(48000 * 2);
  add_line(samples, fs, {997, 0.3});
  SUBCASE("clipped hard") {
    for (double& x : samples) x = std::clamp(x, -0.25, 0.3);
  }
  SUBCASE("hum at -30 dB") {
    add_line(samples, fs, {50, 0.3 * 0.0316, 1});
    add_line(samples, fs, {100, 0.3 * 0.02, 2});
  }
  SUBCASE("noise 10 dB below") { add_noise(samples, 0.3 / std::sqrt(10), 11); }
  SUBCASE("third harmonic at -12 dB") { add_line(samples, fs, {2991, 0.3 / 4, 1}); }
  SUBCASE("a DC offset") {
    for (double& x : samples) x += 0.2;
  }
  // The company may cost the edges, by up to a hop each.
  const auto found = plateaus_of(samples, fs);
  REQUIRE(found.size() == 1);
  CHECK(found[0].start.kind == PlateauKind::kTone);
  CHECK(found[0].start.begin <= 480);
  CHECK(found[0].end >= static_cast<std::int64_t>(samples.size()) - 480);
  CHECK(found[0].breaks.empty());
}

TEST_CASE("channels may carry tones of their own") {
  const SampleRate fs{48000};
  std::vector<std::vector<double>> sides(3, std::vector<double>(48000));
  add_line(sides[0], fs, {997, 0.3});
  add_line(sides[1], fs, {440, 0.1});
  add_line(sides[2], fs, {997, 0.0003});  // crosstalk
  std::vector<double> frames;
  for (std::size_t n = 0; n < 48000; ++n) {
    for (const auto& side : sides) frames.push_back(side[n]);
  }
  const auto found = plateaus_of(frames, fs, 3);
  check_is_one(found, PlateauKind::kTone, 48000);
  REQUIRE(found[0].start.frequency_hz.size() == 3);
  CHECK(within(found[0].start.frequency_hz[0], 997, 0.1));
  CHECK(within(found[0].start.frequency_hz[1], 440, 0.1));
  CHECK(within(found[0].start.frequency_hz[2], 997, 0.1));
}

TEST_CASE("a step in one channel only is a step") {
  const SampleRate fs{48000};
  std::vector<double> frames;
  for (std::size_t n = 0; n < 48000; ++n) {
    const double x = 0.1 * std::sin(kTwoPi * 997 * static_cast<double>(n) / fs.hz);
    frames.push_back(x);
    frames.push_back(n < 24000 ? x : 1.2 * x);
  }
  check_edges(plateaus_of(frames, fs, 2), {0, 24000, 48000}, 480);
}

TEST_CASE("how the frames are cut makes no difference") {
  Stretches record({48000});
  record.silence(0.3).tone(997, -20, 0.5).tone(997, -26, 0.41).noise(-60, 0.7).tone(40, -3, 0.6);
  record.samples[30000] += 0.3;
  const auto whole = plateaus_of(record.samples, record.fs, 1, record.samples.size());
  REQUIRE(whole.size() >= 4);
  for (const std::size_t piece : {1UL, 97UL, 480UL, 1000UL, 50000UL}) {
    CAPTURE(piece);
    const auto cut = plateaus_of(record.samples, record.fs, 1, piece);
    REQUIRE(cut.size() == whole.size());
    for (std::size_t i = 0; i < cut.size(); ++i) {
      CHECK(cut[i].start.kind == whole[i].start.kind);
      CHECK(cut[i].start.begin == whole[i].start.begin);
      CHECK(cut[i].start.frequency_hz == whole[i].start.frequency_hz);
      CHECK(cut[i].end == whole[i].end);
      CHECK(cut[i].frames == whole[i].frames);
      CHECK(cut[i].breaks.size() == whole[i].breaks.size());
    }
  }
}

TEST_CASE("caller's errors are named") {
  PlateauLog log({}, 1);
  CHECK_THROWS_AS(PlateauDetector({48000}, 0, {}, log), std::invalid_argument);
  CHECK_THROWS_AS(PlateauDetector({999}, 1, {}, log), std::invalid_argument);
  CHECK_THROWS_AS(PlateauDetector({std::nan("")}, 1, {}, log), std::invalid_argument);
  PlateauDetector detector({48000}, 1, {}, log);
  detector.push({});
  detector.finish();
  CHECK(log.found.empty());
}

}  // namespace
}  // namespace sinewright
