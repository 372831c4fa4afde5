// One class owns the drive level. What the compiler cannot forbid is looked for in the sources.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <regex>
#include <string>
#include <vector>

namespace sinewright {
namespace {

/// A way to make sound, and the files under src that may take it.
struct Way {
  const char* name;
  std::regex pattern;
  std::vector<std::string> owners;
};

std::vector<Way> ways() {
  return {
      {"setting a generator's tones",
       std::regex(R"(\bgo_to\s*\()"),
       // `tone` makes its signal once, before it sounds.
       {"measure/drive.cpp", "cli/test_signal.cpp"}},
      {"making a generator",
       std::regex(R"(\bToneGenerator\b)"),
       {"measure/drive.cpp", "measure/drive.h", "cli/test_signal.cpp"}},
      {"being a signal", std::regex(R"(:\s*(public\s+)?Signal\b)"), {"cli/test_signal.h"}},
      {"giving a stream something to play",
       std::regex(R"(\b(stream_?(\(\))?|bench|simulated)\s*(->|\.)\s*play\s*\()"),
       {"measure/session.cpp", "cli/tone.cpp"}},
      {"raising the drive",
       std::regex(R"(\bdrive_?(\(\))?\s*(->|\.)\s*play\s*\()"),
       {"measure/session.cpp"}},
      {"sharing the drive's signal",
       std::regex(R"((->|\.)\s*signal\s*\(\))"),
       {"measure/session.cpp"}},
      {"a stream that may be changed",
       std::regex(R"((^|[^t\s])\s*\bStream\s*[&*])"),
       {"cli/tone.cpp"}},
  };
}

/// Lines that match, without what follows //.
std::vector<std::string> matches(const std::filesystem::path& file, const std::regex& pattern) {
  std::vector<std::string> found;
  std::ifstream lines(file);
  for (std::string line; std::getline(lines, line);) {
    line.erase(std::min(line.find("//"), line.size()));
    if (std::regex_search(line, pattern)) found.push_back(line);
  }
  return found;
}

TEST_CASE("nothing in measure, cli or report makes sound but the drive and the tone command") {
  const std::filesystem::path source = std::filesystem::path(SINEWRIGHT_SOURCE_DIR) / "src";
  int files = 0;
  for (const char* folder : {"measure", "cli", "report", "bench"}) {
    for (const auto& entry : std::filesystem::recursive_directory_iterator(source / folder)) {
      const std::string extension = entry.path().extension();
      if (extension != ".cpp" && extension != ".h") continue;
      ++files;
      const std::string name = std::filesystem::relative(entry.path(), source);
      for (const Way& way : ways()) {
        if (std::find(way.owners.begin(), way.owners.end(), name) != way.owners.end()) continue;
        for (const std::string& line : matches(entry.path(), way.pattern)) {
          FAIL_CHECK(name << ": " << way.name << ": " << line);
        }
      }
    }
  }
  CHECK(files > 100);  // or it looked in the wrong place
}

TEST_CASE("each way to make sound is still there where it is allowed") {
  const std::filesystem::path source = std::filesystem::path(SINEWRIGHT_SOURCE_DIR) / "src";
  for (const Way& way : ways()) {
    for (const std::string& owner : way.owners) {
      CAPTURE(way.name);
      CAPTURE(owner);
      CHECK_FALSE(matches(source / owner, way.pattern).empty());
    }
  }
}

}  // namespace
}  // namespace sinewright
