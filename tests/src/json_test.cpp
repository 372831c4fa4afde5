// JSON results: by the schema of docs/results.schema.json, and never a number that does not exist.
#include "report/json.h"

#include <doctest/doctest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <limits>
#include <sstream>

#include "findings/check.h"
#include "findings/error.h"
#include "sample_findings.h"

namespace sinewright {
namespace {

using nlohmann::json;

std::string batch(const std::vector<RecordingFindings>& recordings) {
  std::ostringstream out;
  JsonRecordings writer(out);
  writer.begin();
  for (const RecordingFindings& each : recordings) writer.add(each);
  writer.end();
  return out.str();
}

TEST_CASE("a reading keeps value, unit, uncertainty, limits and interval") {
  const json document = json::parse(json_document(std::vector<Findings>{sample_tone()}));
  CHECK(document["schema"] == 1);
  const json& findings = document["findings"].at(0);
  CHECK(findings["measurement"] == "tone");
  CHECK(findings["started_s"] == 0.5);
  CHECK(findings["conditions"]["band_hz"] == json::array({20, 20000}));
  CHECK(findings["conditions"]["both_driven"] == true);
  CHECK(findings["conditions"]["volume"].is_null());
  const json& thd_n = findings["readings"].at(1);
  CHECK(thd_n["key"] == "thd_n");
  CHECK(thd_n["channel"] == "left");
  CHECK(thd_n["value"] == -78.314);
  CHECK(thd_n["unit"] == "dB");
  CHECK(thd_n["uncertainty"] == 0.2);
  CHECK(thd_n["k"] == 2);
  CHECK(thd_n["limited_by"].is_null());
  const json& hum = findings["readings"].at(3);
  CHECK(hum["interval"] == json::array({-110, -96}));
  CHECK(hum["limited_by"] == "sound_card");
  CHECK(findings["readings"].at(4)["value"].is_null());
  CHECK(findings["harmonics"].at(1)["level_dbc"].is_null());
  CHECK(findings["cautions"].at(0)["at_s"] == 3.25);
  CHECK_FALSE(findings["cautions"].at(1).contains("channel"));
  CHECK_FALSE(findings["cautions"].at(1).contains("at_s"));
}

TEST_CASE("keys stand in the order of the schema") {
  const std::string text = json_document(std::vector<Findings>{sample_response()});
  CHECK(text.find("\"measurement\"") < text.find("\"started_s\""));
  CHECK(text.find("\"readings\"") < text.find("\"curves\""));
  CHECK(text.find("{\"x\":20.0,\"y\":-1.5,\"u\":0.02,\"interval\":null,\"limited_by\":null}") !=
        std::string::npos);
}

TEST_CASE("a number that is not finite becomes null") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double infinity = std::numeric_limits<double>::infinity();
  Findings findings = sample_tone();
  findings.readings[0].value = nan;
  findings.readings[1].uncertainty = infinity;
  findings.readings[3].interval = Interval{-infinity, -96};
  findings.harmonics[0].level_dbc = -infinity;
  findings.conditions.push_back({"ambient_c", nan});
  CHECK(problems_of(findings).size() == 4);
  CHECK(to_json(findings)["readings"][0]["value"].is_null());
  const std::string text = json_document(std::vector<Findings>{findings});
  const json readings = json::parse(text)["findings"][0]["readings"];
  CHECK(readings[0]["value"].is_null());
  CHECK(readings[1]["uncertainty"].is_null());
  CHECK(readings[3]["interval"] == json::array({nullptr, -96}));
  for (const char* bad : {"nan", "inf", "NaN", "Infinity"}) {
    CHECK(text.find(std::string(":") + bad) == std::string::npos);
  }
}

TEST_CASE("a batch is streamed: valid with none, one, and a bad file among good ones") {
  CHECK(json::parse(batch({}))["recordings"].empty());
  const json document = json::parse(
      batch({sample_recording("a.wav"), broken_recording("b.wav"), sample_recording("c.wav")}));
  const json& recordings = document["recordings"];
  REQUIRE(recordings.size() == 3);
  CHECK(recordings[0]["status"] == "ok");
  CHECK(recordings[0]["error"].is_null());
  CHECK(recordings[0]["findings"].size() == 1);
  CHECK(recordings[0]["summary"][0]["measurement"] == "response");
  CHECK(recordings[1]["status"] == "error");
  CHECK(recordings[1]["error"] == "b.wav: not an audio file; record it again");
  CHECK(recordings[1]["sample_rate_hz"].is_null());
  CHECK(recordings[1]["channels"].is_null());
  CHECK(recordings[2]["path"] == "c.wav");
}

TEST_CASE("a path that is not UTF-8 still gives a valid document") {
  const json document = json::parse(batch({sample_recording("bench-\xff\xfe.wav")}));
  CHECK(document["recordings"][0]["path"] == "bench-\xEF\xBF\xBD\xEF\xBF\xBD.wav");
}

TEST_CASE("a stream that fails is an error, not a silent half document") {
  std::ofstream full("/dev/full");
  REQUIRE(full.is_open());
  JsonRecordings writer(full);
  writer.begin();
  CHECK_THROWS_AS(
      {
        writer.add(sample_recording("a.wav"));
        writer.end();
      },
      Error);
}

TEST_CASE("both kinds of document satisfy docs/results.schema.json") {
  const auto folder = std::filesystem::temp_directory_path();
  const auto single = folder / "sinewright-json-test-single.json";
  const auto many = folder / "sinewright-json-test-batch.json";
  std::ofstream(single) << json_document(std::vector<Findings>{sample_tone(), sample_response()});
  std::ofstream(many) << batch({sample_recording("a.wav"), broken_recording("b.wav")});
  const std::string command = "python3 " SINEWRIGHT_SOURCE_DIR
                              "/tests/reference/check_results.py " +
                              single.string() + " " + many.string();
  CHECK(std::system(command.c_str()) == 0);
  std::filesystem::remove(single);
  std::filesystem::remove(many);
}

TEST_CASE("the check of findings names each breach") {
  CHECK(problems_of(sample_tone()).empty());
  CHECK(problems_of(sample_response()).empty());
  Findings findings = sample_tone();
  findings.readings.push_back(findings.readings[0]);
  findings.readings[1].k.reset();
  findings.readings[3].interval = Interval{-96, -110};
  findings.cautions[0].text.clear();
  const auto problems = problems_of(findings);
  REQUIRE(problems.size() == 4);
  CHECK(problems[0] == "reading thd_n left dB: uncertainty without coverage factor k");
  CHECK(problems[1] == "reading hum left dBV: interval is not finite, or upside down");
  CHECK(problems[2] == "reading level left V: stands twice");
}

}  // namespace
}  // namespace sinewright
