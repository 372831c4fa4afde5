#include "report/csv.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <ostream>
#include <sstream>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr const char* kHeader =
    "path,measurement,started_s,ended_s,row,key,channel,x,x_unit,value,unit,uncertainty,k,"
    "limited_by,interval_low,interval_high,note\n";

// The shortest digits that read back as the same number, whatever the locale.
std::string number(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? fmt::format("{}", *value) : std::string();
}

// What stands right of the four columns that name the findings.
struct Row {
  std::string row, key, channel, x, x_unit, value, unit, uncertainty, k, limited_by;
  std::optional<Interval> interval;
  std::string note;
};

std::string line(const std::string& prefix, const Row& row) {
  std::string text = prefix;
  const auto low = row.interval ? number(row.interval->low) : std::string();
  const auto high = row.interval ? number(row.interval->high) : std::string();
  const std::array<const std::string*, 13> fields = {
      &row.row,         &row.key, &row.channel,    &row.x, &row.x_unit, &row.value, &row.unit,
      &row.uncertainty, &row.k,   &row.limited_by, &low,   &high,       &row.note};
  for (const std::string* field : fields) text += ',' + csv_field(*field);
  return text + '\n';
}

Row row_of(const Reading& reading) {
  Row row;
  row.row = "reading";
  row.key = reading.key;
  row.channel = reading.channel;
  row.value = number(reading.value);
  row.unit = to_string(reading.unit);
  row.uncertainty = number(reading.uncertainty);
  row.k = number(reading.k);
  row.limited_by = reading.limited_by;
  row.interval = reading.interval;
  row.note = reading.note;
  return row;
}

Row row_of(const Harmonic& harmonic, bool of_phase) {
  Row row;
  row.row = "harmonic";
  row.key = fmt::format("harmonic_{}{}", harmonic.order, of_phase ? "_phase" : "");
  row.channel = harmonic.channel;
  row.x = number(harmonic.frequency_hz);
  row.x_unit = "Hz";
  row.value = number(of_phase ? harmonic.phase_deg : harmonic.level_dbc);
  row.unit = to_string(of_phase ? Unit::kDegree : Unit::kDbc);
  return row;
}

Row row_of(const Curve& curve, const CurvePoint& point) {
  Row row;
  row.row = "curve";
  row.key = curve.key;
  row.channel = curve.channel;
  row.x = number(point.x);
  row.x_unit = curve.x.unit;
  row.value = number(point.y);
  row.unit = curve.y.unit;
  row.uncertainty = number(point.uncertainty);
  row.limited_by = point.limited_by;
  row.interval = point.interval;
  return row;
}

Row row_of(const Caution& caution) {
  Row row;
  row.row = "caution";
  row.key = caution.code;
  row.channel = caution.channel;
  row.x = number(caution.at_s);
  row.x_unit = caution.at_s ? "s" : "";
  row.note = caution.text;
  return row;
}

Row row_of(const Condition& condition) {
  Row row;
  row.row = "condition";
  row.key = condition.key;
  if (const auto* flag = std::get_if<bool>(&condition.value)) row.note = *flag ? "true" : "false";
  if (const auto* given = std::get_if<double>(&condition.value)) row.value = number(*given);
  if (const auto* text = std::get_if<std::string>(&condition.value)) row.note = *text;
  if (const auto* list = std::get_if<std::vector<double>>(&condition.value)) {
    for (const double each : *list) row.note += (row.note.empty() ? "" : " ") + number(each);
  }
  return row;
}

void require_good(const std::ostream& out) {
  if (!out) {
    throw Error(ExitCode::kFailure,
                "results: writing failed; is the disk full or the pipe closed?");
  }
}

}  // namespace

std::string csv_field(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + '"';
}

void CsvTable::begin() {
  out_ << kHeader;
  require_good(out_);
}

void CsvTable::add(const std::string& path, const Findings& findings) {
  const std::string prefix =
      fmt::format("{},{},{},{}", csv_field(path), csv_field(findings.measurement),
                  number(findings.started_s), number(findings.ended_s));
  for (const Condition& each : findings.conditions) out_ << line(prefix, row_of(each));
  for (const Reading& each : findings.readings) out_ << line(prefix, row_of(each));
  for (const Harmonic& each : findings.harmonics) {
    out_ << line(prefix, row_of(each, false)) << line(prefix, row_of(each, true));
  }
  for (const Curve& curve : findings.curves) {
    for (const CurvePoint& point : curve.points) out_ << line(prefix, row_of(curve, point));
  }
  for (const Caution& each : findings.cautions) out_ << line(prefix, row_of(each));
  require_good(out_);
}

void CsvTable::add(const RecordingFindings& recording) {
  const std::string prefix = csv_field(recording.path) + ",,,";
  if (!recording.error.empty()) {
    Row row;
    row.row = "error";
    row.note = recording.error;
    out_ << line(prefix, row);
  }
  for (const Caution& each : recording.cautions) out_ << line(prefix, row_of(each));
  for (const Findings& each : recording.findings) add(recording.path, each);
  for (const Findings& each : recording.summary) add(recording.path, each);
  require_good(out_);
}

void CsvTable::end() {
  out_.flush();
  require_good(out_);
}

std::string csv_document(std::span<const Findings> findings) {
  std::ostringstream out;
  CsvTable table(out);
  table.begin();
  for (const Findings& each : findings) table.add("", each);
  table.end();
  return out.str();
}

}  // namespace sinewright
