// What a measurement yields: plain data, the same for every measurement and every outlet.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

namespace sinewright {

enum class Unit {
  kDbfs,
  kVolt,
  kDbv,
  kDbu,
  kWatt,
  kPercent,
  kDb,
  kDbc,
  kHertz,
  kDegree,
  kRatio,
  kFullScale,
  kDbPerSecond,
  kPpmPerSecond,
  kPpm,
  kSecond,
  kCount
};

/// As printed and as in JSON: "dBFS", "V", "%" ...
[[nodiscard]] const char* to_string(Unit unit);

/// An interval in dB that reaches down to nothing at all ends here.
inline constexpr double kNothing_db = -200;

struct Interval {
  double low;
  double high;
};

/// One number with everything needed to judge it. Unique in its findings by key, channel and unit.
struct Reading {
  std::string key;              ///< "thd_n": the same word in header, JSON, page and report
  std::string channel;          ///< "left", "right", "1".."n"; "pair" for left against right
  std::optional<double> value;  ///< in `unit`; none where no such value exists; always finite
  Unit unit = Unit::kDb;
  std::optional<double> uncertainty;  ///< expanded by `k`, in `unit`; none on an uncalibrated bench
  std::optional<double> k;            ///< coverage factor of `uncertainty` (GUM, JCGM 100, 6.2)
  std::string limited_by;  ///< what the number cannot see below: "quantisation"; or empty
  std::optional<Interval>
      interval;  ///< where the true value lies, when a single one cannot be given
  std::string note;
};

/// One harmonic of the tone in `channel`.
struct Harmonic {
  std::string channel;
  int order = 0;  ///< 2 for the second harmonic
  double frequency_hz = 0;
  std::optional<double> level_dbc;  ///< relative to the fundamental; none when under the noise
  std::optional<double> phase_deg;  ///< cosine phase less order times that of the fundamental
};

struct Axis {
  std::string quantity;  ///< "frequency"
  std::string unit;      ///< "Hz"
  bool logarithmic = false;
};

struct CurvePoint {
  double x = 0;
  std::optional<double> y;  ///< none: a gap in the curve
  std::optional<double> uncertainty;
  std::optional<Interval> interval;
  std::string limited_by;
};

/// A reading as a function of something.
struct Curve {
  std::string key;
  std::string channel;
  Axis x;
  Axis y;
  std::vector<CurvePoint> points;
};

/// Something the reader must know before trusting the numbers.
struct Caution {
  std::string code;            ///< "clipped": stable, for programs
  std::string text;            ///< for people: what, where, what to do
  std::string channel;         ///< empty: all
  std::optional<double> at_s;  ///< in the recording or run
};

using ConditionValue = std::variant<std::monostate, bool, double, std::string, std::vector<double>>;

/// One circumstance under which a run was made: "band_hz", "volume", "range".
struct Condition {
  std::string key;
  ConditionValue value;  ///< monostate: not stated (null)
};

struct Findings {
  std::string measurement;  ///< "tone", "noise", "two_tones", "response", "power", "unclassified"
  double started_s = 0;
  double ended_s = 0;
  std::string taken;  ///< ISO 8601 UTC; empty when unknown
  std::vector<Condition> conditions;
  std::vector<Reading> readings;
  std::vector<Harmonic> harmonics;
  std::vector<Curve> curves;
  std::vector<Caution> cautions;
};

/// The reading of this key, channel and unit, or nullptr.
[[nodiscard]] const Reading* find_reading(const Findings& findings, const std::string& key,
                                          const std::string& channel, Unit unit);

/// What analysing one recording yields.
struct RecordingFindings {
  std::string path;
  std::string error;  ///< empty: all went well
  double sample_rate_hz = 0;
  int channels = 0;
  double duration_s = 0;
  std::vector<Caution> cautions;
  std::vector<Findings> findings;  ///< one for each plateau, in time order
  std::vector<Findings> summary;   ///< over the recording: stepped response, level steps
};

}  // namespace sinewright
