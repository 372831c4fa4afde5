// The CSV table: one header, a row for each number, fields as RFC 4180 has them.
#include "report/csv.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <fstream>
#include <sstream>
#include <vector>

#include "findings/error.h"
#include "sample_findings.h"

namespace sinewright {
namespace {

// A reader of its own, so that the writer is not checked by itself: RFC 4180, section 2.
std::vector<std::vector<std::string>> parse(const std::string& text) {
  std::vector<std::vector<std::string>> rows(1, {""});
  bool is_quoted = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (is_quoted) {
      if (c != '"') {
        rows.back().back() += c;
      } else if (i + 1 < text.size() && text[i + 1] == '"') {
        rows.back().back() += text[++i];
      } else {
        is_quoted = false;
      }
    } else if (c == '"') {
      is_quoted = true;
    } else if (c == ',') {
      rows.back().emplace_back();
    } else if (c == '\n') {
      rows.push_back({""});
    } else {
      rows.back().back() += c;
    }
  }
  rows.pop_back();
  return rows;
}

enum Column {
  kPath,
  kMeasurement,
  kStarted,
  kEnded,
  kRow,
  kKey,
  kChannel,
  kX,
  kXUnit,
  kValue,
  kUnit,
  kUncertainty,
  kK,
  kLimitedBy,
  kLow,
  kHigh,
  kNote,
  kColumns
};

std::vector<std::string> find_row(const std::vector<std::vector<std::string>>& rows,
                                  const std::string& row, const std::string& key,
                                  const std::string& channel) {
  const auto found = std::find_if(rows.begin(), rows.end(), [&](const auto& r) {
    return r[kRow] == row && r[kKey] == key && r[kChannel] == channel;
  });
  REQUIRE(found != rows.end());
  return *found;
}

TEST_CASE("fields are quoted where RFC 4180 demands it, and only there") {
  CHECK(csv_field("plain text") == "plain text");
  CHECK(csv_field("a,b") == "\"a,b\"");
  CHECK(csv_field("say \"one\"") == "\"say \"\"one\"\"\"");
  CHECK(csv_field("two\nlines") == "\"two\nlines\"");
}

TEST_CASE("every kind of row stands in its columns") {
  const auto rows = parse(csv_document(std::vector<Findings>{sample_tone(), sample_response()}));
  for (const auto& row : rows) CHECK(row.size() == kColumns);
  CHECK(rows[0][kPath] == "path");
  CHECK(rows[0][kNote] == "note");

  const auto thd_n = find_row(rows, "reading", "thd_n", "left");
  CHECK(thd_n[kMeasurement] == "tone");
  CHECK(thd_n[kStarted] == "0.5");
  CHECK(thd_n[kValue] == "-78.314");
  CHECK(thd_n[kUnit] == "dB");
  CHECK(thd_n[kUncertainty] == "0.2");
  CHECK(thd_n[kK] == "2");

  const auto hum = find_row(rows, "reading", "hum", "right");
  CHECK(hum[kLimitedBy] == "sound_card");
  CHECK(hum[kLow] == "-110");
  CHECK(hum[kHigh] == "-96");
  const auto snr = find_row(rows, "reading", "snr", "left");
  CHECK(snr[kValue].empty());
  CHECK(snr[kNote] == "no silence, \"none\" at all");

  CHECK(find_row(rows, "harmonic", "harmonic_2", "left")[kValue] == "-84.1");
  CHECK(find_row(rows, "harmonic", "harmonic_2", "left")[kX] == "1994");
  CHECK(find_row(rows, "harmonic", "harmonic_2_phase", "left")[kUnit] == "deg");
  CHECK(find_row(rows, "harmonic", "harmonic_3", "left")[kValue].empty());
  CHECK(find_row(rows, "caution", "near_full_scale", "left")[kX] == "3.25");
  CHECK(find_row(rows, "condition", "band_hz", "")[kNote] == "20 20000");
  CHECK(find_row(rows, "condition", "load_ohm", "")[kValue] == "8");

  const auto point = find_row(rows, "curve", "response", "left");
  CHECK(point[kMeasurement] == "response");
  CHECK(point[kX] == "20");
  CHECK(point[kXUnit] == "Hz");
  CHECK(point[kValue] == "-1.5");
  CHECK(point[kUncertainty] == "0.02");
}

TEST_CASE("a batch is one table, and a bad file one row of it") {
  std::ostringstream out;
  CsvTable table(out);
  table.begin();
  table.add(sample_recording("a, b.wav"));
  table.add(broken_recording("bad.wav"));
  table.end();
  const auto rows = parse(out.str());
  CHECK(find_row(rows, "reading", "level", "left")[kPath] == "a, b.wav");
  CHECK(find_row(rows, "caution", "mono_input", "")[kMeasurement].empty());
  const auto error = find_row(rows, "error", "", "");
  CHECK(error[kPath] == "bad.wav");
  CHECK(error[kNote] == "bad.wav: not an audio file; record it again");
  const auto is_header = [](const auto& row) { return row[kPath] == "path"; };
  CHECK(std::count_if(rows.begin(), rows.end(), is_header) == 1);
}

TEST_CASE("a number that is not finite leaves its field empty") {
  Findings findings = sample_tone();
  findings.readings[0].value = std::numeric_limits<double>::infinity();
  const auto rows = parse(csv_document(std::vector<Findings>{findings}));
  CHECK(find_row(rows, "reading", "level", "left")[kValue].empty());
}

TEST_CASE("a full disk is an error") {
  std::ofstream full("/dev/full");
  CsvTable table(full);
  table.begin();
  CHECK_THROWS_AS(table.end(), Error);
}

}  // namespace
}  // namespace sinewright
