#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>

#include "../dsp/plateau_log.h"
#include "bench_run.h"
#include "measure/analyze.h"
#include "recorded.h"
#include "temporary_folder.h"
#include "within.h"

namespace sinewright {
namespace {

TEST_CASE("one bad recording never stops the others, and order is kept") {
  const TemporaryFolder folder;
  std::vector<std::string> paths;
  for (int k = 0; k < 12; ++k) {
    const std::string path = folder / ("r" + std::to_string(10 + k) + ".wav");
    paths.push_back(path);
    if (k == 3) {
      std::ofstream(path) << "this is no recording";
    } else if (k != 7) {  // 7 is not there at all
      Stretches record({48000});
      // The first takes longest, so that the others overtake it.
      record.tone(500 + 10 * k, -10, k == 0 ? 8 : 0.3);
      write_recording(path, record.samples, 48000);
    }
  }
  for (const int jobs : {1, 4, 0}) {
    CAPTURE(jobs);
    AnalyzeSettings settings;
    settings.jobs = jobs;
    ScriptedProgress progress;
    std::vector<RecordingFindings> shown;
    analyze_all(paths, settings, progress,
                [&](const RecordingFindings& result) { shown.push_back(result); });
    REQUIRE(shown.size() == paths.size());
    for (std::size_t k = 0; k < paths.size(); ++k) {
      CAPTURE(k);
      CHECK(shown[k].path == paths[k]);
      CHECK(shown[k].error.empty() == (k != 3 && k != 7));
      if (!shown[k].error.empty()) {
        CHECK(shown[k].error.find(paths[k]) != std::string::npos);
        CHECK(shown[k].error.find('\n') == std::string::npos);
        continue;
      }
      REQUIRE(kinds_of(shown[k]) == Kinds{"tone"});
      CHECK(within(value_of(shown[k].findings[0], "frequency", "1", Unit::kHertz).value_or(0),
                   500 + 10 * static_cast<double>(k), 1e-3));
    }
    CHECK(progress.is_in_range);
  }
}

TEST_CASE("analysis of many stops when cancelled, and when they cannot be shown") {
  const TemporaryFolder folder;
  Stretches record({48000});
  record.tone(997, -10, 0.2);
  write_recording(folder / "one.wav", record.samples, 48000);
  const std::vector<std::string> paths(200, folder / "one.wav");
  AnalyzeSettings settings;
  settings.jobs = 2;
  std::size_t shown = 0;
  ScriptedProgress progress(6);
  analyze_all(paths, settings, progress, [&](const RecordingFindings&) { ++shown; });
  CHECK(shown >= 4);
  CHECK(shown < 100);
  ScriptedProgress calm;
  CHECK_THROWS_AS(
      analyze_all(paths, settings, calm,
                  [](const RecordingFindings&) { throw std::runtime_error("pipe closed"); }),
      std::runtime_error);
  analyze_all({}, settings, calm, [](const RecordingFindings&) { FAIL("nothing to show"); });
}

TEST_CASE("recordings are found in folders, by name and in order") {
  const TemporaryFolder folder;
  std::filesystem::create_directories(folder.path() / "b" / "deeper");
  for (const char* name : {"z.WAV", "a.flac", "notes.txt", "b/deeper/m.aiff"}) {
    std::ofstream(folder / name) << "x";
  }
  const std::vector<std::string> expected = {folder / "a.flac", folder / "b/deeper/m.aiff",
                                             folder / "z.WAV"};
  CHECK(find_recordings({folder.path().string()}) == expected);
  // A file that is named is taken, whatever its name.
  CHECK(find_recordings({folder / "notes.txt"}) == std::vector{folder / "notes.txt"});
  std::filesystem::create_directory(folder.path() / "empty");
  CHECK(code_of([&] { (void)find_recordings({folder / "empty"}); }) == ExitCode::kInput);
}

}  // namespace
}  // namespace sinewright
