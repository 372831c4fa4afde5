// The program's word on a run that ended for the unit's sake, or by the operator: points, one line,
// the exit code.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>

#include "program_run.h"

namespace sinewright {
namespace {

const std::string kSimulated = " --simulate " + std::string(SINEWRIGHT_SOURCE_DIR) +
                               "/calibration/larkfield-lr62-as-left.toml --simulated-volume -21";

void check_is_one_line(const std::string& all) {
  const std::string error = without_watts_warning(all);
  CAPTURE(error);
  CHECK(error.starts_with("sinewright: "));
  CHECK(std::count(error.begin(), error.end(), '\n') == 1);
}

/// The simulated bench's profile with the load's rating replaced.
struct Bench {
  explicit Bench(const std::string& rating) {
    std::string text =
        contents_of(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/simulated-bench.toml");
    const std::string line = "rated_w = 150.0";
    const std::size_t at = text.find(line);
    REQUIRE(at != std::string::npos);
    text.replace(at, line.size(), rating);
    std::ofstream(path) << text;
  }
  TemporaryFolder folder;
  std::string path = folder / "bench.toml";
  std::string options = " --bench '" + path + "'" + kSimulated;
};

TEST_CASE("power that the load does not stand: points are printed and written, exit 5") {
  const Bench bench("rated_w = 90.0\nrated_s = 0.2\ncontinuous_w = 20.0");
  const std::string file = bench.folder / "kept.json";
  const ProgramRun run = run_program("power --confirmed --no-guidance --json --from-watts 5" +
                                     (" --output '" + file + "'") + bench.options);
  CHECK(run.code == 5);
  check_is_one_line(run.error);
  CHECK(run.error.find("finished points are kept") != std::string::npos);
  CHECK(run.error.find("the load") != std::string::npos);
  const auto findings = nlohmann::json::parse(run.out).at("findings").at(0);
  CHECK(findings.at("curves").at(0).at("points").size() >= 2);
  CHECK(contents_of(file) == run.out);
}

TEST_CASE("a climb that ends at its limit is done: exit 0") {
  const Bench bench("rated_w = 150.0");
  const ProgramRun run = run_program(
      "power --confirmed --no-guidance --json --from-watts 1 --limit-watts 5" + bench.options);
  CHECK(run.code == 0);
  CHECK(without_watts_warning(run.error).empty());
}

TEST_CASE("readings that are cut: exit 5, and those before are printed and written") {
  const Bench bench("rated_w = 90.0\nrated_s = 2\ncontinuous_w = 5.0");
  const std::string file = bench.folder / "kept.json";
  const ProgramRun run =
      run_program("measure --frequency 997 --level -3 --follow --duration 0.2 --json --confirmed" +
                  (" --output '" + file + "'") + bench.options);
  CHECK(run.code == 5);
  check_is_one_line(run.error);
  CHECK(run.error.find("the load has had what it bears") != std::string::npos);
  CHECK(std::count(run.out.begin(), run.out.end(), '\n') >= 2);
  CHECK(std::filesystem::exists(file));
}

TEST_CASE("stopping what goes on for ever ends it well, stopping what has an end does not") {
  const Bench bench("rated_w = 150.0");
  const auto code_after = [&](const std::string& seconds, const std::string& arguments) {
    return run_shell("timeout --preserve-status -s QUIT " + seconds + " \"$P\" " + arguments +
                     " --real-time" + bench.options)
        .code;
  };
  const std::string tone = " --frequency 997 --level -3 --confirmed --duration 0.2";
  // While the tone still climbs, and later.
  CHECK(code_after("0.3", "measure --follow" + tone) == 0);
  CHECK(code_after("2", "measure --follow" + tone) == 0);
  CHECK(code_after("0.3", "measure --count 100" + tone) == 1);
  CHECK(code_after("2", "measure --count 100" + tone) == 1);
  CHECK(code_after("0.3", "measure" + tone) == 1);
}

}  // namespace
}  // namespace sinewright
