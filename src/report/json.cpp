#include "report/json.h"

#include <cmath>
#include <ostream>

#include "findings/error.h"
#include "version.h"

namespace sinewright {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kSchema = 1;

Json number(double value) { return std::isfinite(value) ? Json(value) : Json(nullptr); }

Json number(const std::optional<double>& value) { return value ? number(*value) : Json(nullptr); }

Json text_or_null(const std::string& text) { return text.empty() ? Json(nullptr) : Json(text); }

Json interval_or_null(const std::optional<Interval>& interval) {
  if (!interval) return nullptr;
  return Json::array({number(interval->low), number(interval->high)});
}

Json to_json(const ConditionValue& value) {
  struct Visitor {
    Json operator()(std::monostate) const { return nullptr; }
    Json operator()(bool flag) const { return flag; }
    Json operator()(double given) const { return number(given); }
    Json operator()(const std::string& text) const { return text; }
    Json operator()(const std::vector<double>& values) const {
      Json array = Json::array();
      for (const double each : values) array.push_back(number(each));
      return array;
    }
  };
  return std::visit(Visitor{}, value);
}

Json to_json(const Reading& reading) {
  Json json;
  json["key"] = reading.key;
  json["channel"] = reading.channel;
  json["value"] = number(reading.value);
  json["unit"] = to_string(reading.unit);
  json["uncertainty"] = number(reading.uncertainty);
  json["k"] = number(reading.k);
  json["limited_by"] = text_or_null(reading.limited_by);
  json["interval"] = interval_or_null(reading.interval);
  json["note"] = text_or_null(reading.note);
  return json;
}

Json to_json(const Harmonic& harmonic) {
  Json json;
  json["channel"] = harmonic.channel;
  json["order"] = harmonic.order;
  json["frequency_hz"] = number(harmonic.frequency_hz);
  json["level_dbc"] = number(harmonic.level_dbc);
  json["phase_deg"] = number(harmonic.phase_deg);
  return json;
}

Json to_json(const Axis& axis) {
  Json json;
  json["quantity"] = axis.quantity;
  json["unit"] = axis.unit;
  json["scale"] = axis.logarithmic ? "log" : "linear";
  return json;
}

Json to_json(const Curve& curve) {
  Json json;
  json["key"] = curve.key;
  json["channel"] = curve.channel;
  json["x"] = to_json(curve.x);
  json["y"] = to_json(curve.y);
  Json& points = json["points"] = Json::array();
  for (const CurvePoint& point : curve.points) {
    Json each;
    each["x"] = number(point.x);
    each["y"] = number(point.y);
    each["u"] = number(point.uncertainty);
    each["interval"] = interval_or_null(point.interval);
    each["limited_by"] = text_or_null(point.limited_by);
    points.push_back(std::move(each));
  }
  return json;
}

Json to_json(const Caution& caution) {
  Json json;
  json["code"] = caution.code;
  json["text"] = caution.text;
  if (!caution.channel.empty()) json["channel"] = caution.channel;
  if (caution.at_s) json["at_s"] = number(*caution.at_s);
  return json;
}

template <typename T>
Json array_of(const std::vector<T>& items) {
  Json array = Json::array();
  for (const T& item : items) array.push_back(to_json(item));
  return array;
}

// A path may hold any bytes; the replacement keeps the document valid where dump() would throw.
std::string dump(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

std::string opening(const char* list) {
  Json json;
  json["sinewright"] = kVersion;
  json["schema"] = kSchema;
  std::string text = dump(json);
  text.pop_back();
  return text + ",\"" + list + "\":[";
}

void write_list(std::ostream& out, const char* name, const std::vector<Findings>& findings) {
  out << ",\n\"" << name << "\":[";
  const char* separator = "\n";
  for (const Findings& each : findings) {
    out << separator << dump(sinewright::to_json(each));
    separator = ",\n";
  }
  out << ']';
}

void require_good(const std::ostream& out) {
  if (!out) {
    throw Error(ExitCode::kFailure,
                "results: writing failed; is the disk full or the pipe closed?");
  }
}

}  // namespace

nlohmann::ordered_json to_json(const Findings& findings) {
  Json json;
  json["measurement"] = findings.measurement;
  json["started_s"] = number(findings.started_s);
  json["ended_s"] = number(findings.ended_s);
  json["taken"] = text_or_null(findings.taken);
  Json& conditions = json["conditions"] = Json::object();
  for (const Condition& condition : findings.conditions) {
    conditions[condition.key] = to_json(condition.value);
  }
  json["readings"] = array_of(findings.readings);
  json["harmonics"] = array_of(findings.harmonics);
  json["curves"] = array_of(findings.curves);
  json["cautions"] = array_of(findings.cautions);
  return json;
}

std::string json_document(std::span<const Findings> findings) {
  std::string text = opening("findings");
  const char* separator = "\n";
  for (const Findings& each : findings) {
    text += separator + dump(to_json(each));
    separator = ",\n";
  }
  return text + "\n]}\n";
}

void JsonRecordings::begin() {
  out_ << opening("recordings");
  is_first_ = true;
  require_good(out_);
}

void JsonRecordings::add(const RecordingFindings& recording) {
  Json head;
  head["path"] = recording.path;
  head["status"] = recording.error.empty() ? "ok" : "error";
  head["error"] = text_or_null(recording.error);
  // What could not be read from a broken file is unknown, not 0.
  head["sample_rate_hz"] =
      recording.sample_rate_hz > 0 ? number(recording.sample_rate_hz) : Json(nullptr);
  head["channels"] = recording.channels > 0 ? Json(recording.channels) : Json(nullptr);
  head["duration_s"] = recording.sample_rate_hz > 0 ? number(recording.duration_s) : Json(nullptr);
  head["cautions"] = array_of(recording.cautions);
  std::string text = dump(head);
  text.pop_back();

  // Findings are written one by one: a recording of many plateaus never stands in memory twice.
  out_ << (is_first_ ? "\n" : ",\n") << text;
  write_list(out_, "findings", recording.findings);
  write_list(out_, "summary", recording.summary);
  out_ << '}';
  is_first_ = false;
  require_good(out_);
}

void JsonRecordings::end() {
  out_ << "\n]}\n";
  out_.flush();
  require_good(out_);
}

}  // namespace sinewright
