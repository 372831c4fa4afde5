#include "findings/check.h"

#include <fmt/format.h>

#include <cmath>
#include <set>
#include <tuple>

namespace sinewright {
namespace {

bool is_bad(const std::optional<double>& value) { return value && !std::isfinite(*value); }

bool is_bad(const std::optional<Interval>& interval) {
  // Written so that a NaN counts as bad too.
  return interval && !(std::isfinite(interval->low) && std::isfinite(interval->high) &&
                       interval->low <= interval->high);
}

void check_reading(const Reading& reading, std::vector<std::string>& problems) {
  const auto report = [&](const char* what) {
    problems.push_back(fmt::format("reading {} {} {}: {}", reading.key, reading.channel,
                                   to_string(reading.unit), what));
  };
  if (reading.key.empty()) report("empty key");
  if (is_bad(reading.value)) report("value is not finite");
  if (is_bad(reading.uncertainty)) report("uncertainty is not finite");
  if (reading.uncertainty && *reading.uncertainty < 0) report("uncertainty is negative");
  if (reading.uncertainty && !reading.k) report("uncertainty without coverage factor k");
  if (reading.k && !(*reading.k > 0 && std::isfinite(*reading.k))) report("k is not positive");
  if (is_bad(reading.interval)) report("interval is not finite, or upside down");
}

void check_curve(const Curve& curve, std::vector<std::string>& problems) {
  const auto report = [&](std::size_t index, const char* what) {
    problems.push_back(
        fmt::format("curve {} {}: point {}: {}", curve.key, curve.channel, index, what));
  };
  if (curve.key.empty()) problems.emplace_back("curve with an empty key");
  for (std::size_t i = 0; i < curve.points.size(); ++i) {
    const CurvePoint& point = curve.points[i];
    if (!std::isfinite(point.x)) report(i, "x is not finite");
    if (is_bad(point.y)) report(i, "y is not finite");
    if (is_bad(point.uncertainty)) report(i, "uncertainty is not finite");
    if (point.uncertainty && *point.uncertainty < 0) report(i, "uncertainty is negative");
    if (is_bad(point.interval)) report(i, "interval is not finite, or upside down");
  }
}

void check_harmonic(const Harmonic& harmonic, std::vector<std::string>& problems) {
  if (harmonic.order < 2 || !std::isfinite(harmonic.frequency_hz) || is_bad(harmonic.level_dbc) ||
      is_bad(harmonic.phase_deg)) {
    problems.push_back(fmt::format("harmonic {} {}: order below 2, or a number not finite",
                                   harmonic.order, harmonic.channel));
  }
}

}  // namespace

std::vector<std::string> problems_of(const Findings& findings) {
  std::vector<std::string> problems;
  if (findings.measurement.empty()) problems.emplace_back("measurement without a name");
  if (!(std::isfinite(findings.started_s) && std::isfinite(findings.ended_s) &&
        findings.started_s <= findings.ended_s)) {
    problems.emplace_back("started_s and ended_s are not finite, or upside down");
  }

  std::set<std::tuple<std::string, std::string, Unit>> seen;
  for (const Reading& reading : findings.readings) {
    check_reading(reading, problems);
    if (!seen.emplace(reading.key, reading.channel, reading.unit).second) {
      problems.push_back(fmt::format("reading {} {} {}: stands twice", reading.key, reading.channel,
                                     to_string(reading.unit)));
    }
  }
  for (const Curve& curve : findings.curves) check_curve(curve, problems);
  for (const Harmonic& harmonic : findings.harmonics) check_harmonic(harmonic, problems);
  for (const Caution& caution : findings.cautions) {
    if (caution.code.empty() || caution.text.empty()) {
      problems.push_back(fmt::format("caution '{}': empty code or text", caution.code));
    }
    if (is_bad(caution.at_s)) {
      problems.push_back(fmt::format("caution '{}': at_s is not finite", caution.code));
    }
  }
  return problems;
}

}  // namespace sinewright
