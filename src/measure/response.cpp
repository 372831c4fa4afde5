#include "measure/response.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "findings/error.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

// After a step of frequency the filters of unit and sound card ring on: six periods and 20 ms take
// a low cut at the frequency itself below a hundredth of a decibel, and an input high-pass of 2 Hz
// out of the way at 20 Hz.
double settling_s(double frequency_hz) { return 0.02 + 6 / frequency_hz; }

Axis frequency_axis() { return {"frequency", "Hz", true}; }

struct Point {
  double frequency_hz;
  double value;
};

// Level relative to 1 kHz, by interpolation in log frequency between the steps around it.
std::vector<Point> relative_levels(std::span<const Findings> steps, const std::string& channel) {
  std::vector<Point> points;
  for (const Findings& step : steps) {
    const auto frequency = value_of(step, "frequency", channel, Unit::kHertz);
    const auto level = value_of(step, "fundamental", channel, Unit::kDbfs);
    if (frequency && level) points.push_back({*frequency, *level});
  }
  if (points.empty()) return points;
  const auto above = std::find_if(points.begin(), points.end(),
                                  [](const Point& point) { return point.frequency_hz >= 1000; });
  double reference = 0;
  if (above == points.begin()) {
    reference = above->value;
  } else if (above == points.end()) {
    reference = points.back().value;
  } else {
    const Point& below = *(above - 1);
    reference = interpolate(std::log(below.frequency_hz), below.value,
                            std::log(above->frequency_hz), above->value, std::log(1000.0));
  }
  for (Point& point : points) point.value -= reference;
  return points;
}

// Where the response first falls below -`down_db` going outwards from 1 kHz, in `direction`.
std::optional<double> corner_hz(const std::vector<Point>& points, double down_db, int direction) {
  const auto count = static_cast<std::ptrdiff_t>(points.size());
  std::ptrdiff_t start = 0;
  while (start + 1 < count && points[static_cast<std::size_t>(start)].frequency_hz < 1000) ++start;
  for (std::ptrdiff_t i = start; i + direction >= 0 && i + direction < count; i += direction) {
    const Point& inner = points[static_cast<std::size_t>(i)];
    const Point& outer = points[static_cast<std::size_t>(i + direction)];
    if (inner.value >= -down_db && outer.value < -down_db) {
      return std::exp(interpolate(inner.value, std::log(inner.frequency_hz), outer.value,
                                  std::log(outer.frequency_hz), -down_db));
    }
  }
  return std::nullopt;
}

// Repeatability and what was still settling: twice the deviation, and the drift across the step.
double repeatability_db(const ToneChannel& tone, double duration_s) {
  return 2 * 8.686 * tone.level_deviation + std::abs(tone.level_drift_db_per_s) * duration_s / 2;
}

// What a step of a quarter of a second says about drift and clicks is mostly its own settling, and
// is carried in the point's uncertainty.
bool concerns_all_steps(const std::string& code) {
  constexpr std::array<const char*, 5> kKept = {"clipped", "near_full_scale", "dropout", "no_tone",
                                                "mono_input"};
  return std::find(kKept.begin(), kKept.end(), code) != kKept.end();
}

void append_curve(Findings& findings, std::span<const Findings> steps, const std::string& key,
                  const std::string& channel, Unit unit, const Axis& y) {
  Curve curve{key, channel, frequency_axis(), y, {}};
  const std::string from = channel == "pair" ? "left" : channel;
  for (const Findings& step : steps) {
    const auto frequency = value_of(step, "frequency", from, Unit::kHertz);
    if (!frequency) continue;
    const Reading* reading = find_reading(step, key, channel, unit);
    CurvePoint point;
    point.x = *frequency;
    if (reading != nullptr) {
      point.y = reading->value;
      point.limited_by = reading->limited_by;
    }
    curve.points.push_back(std::move(point));
  }
  if (!curve.points.empty()) findings.curves.push_back(std::move(curve));
}

struct Step {
  Findings findings;
  std::vector<double> repeatability_db;  // of each channel
};

// One frequency: longer while the stated repeatability is not reached, for noise averages and
// settling goes on.
Step measure_step(Session& session, const ResponseSettings& settings, double frequency_hz,
                  const Progress& progress) {
  session.play({frequency_hz}, settings.level_dbfs);
  session.settle(settling_s(frequency_hz));
  // Noise and distortion want more of it than the level does.
  const double least_s = settings.has_thd ? settings.least_step_s : settings.least_step_s / 2;
  double duration_s = std::max(least_s, 5.2 / frequency_hz);
  for (int attempt = 0;; ++attempt, duration_s *= 2) {
    ToneAnalysis analysis;
    Step step;
    session.refuse_if_cut("response");
    step.findings = session.measure_tone(session.capture(duration_s), {frequency_hz}, &analysis);
    bool is_good = true;
    for (const ToneChannel& tone : analysis.channels) {
      step.repeatability_db.push_back(repeatability_db(tone, duration_s));
      is_good = is_good &&
                (!tone.has_tone || step.repeatability_db.back() <= settings.level_uncertainty_db);
    }
    if (is_good || attempt == 3 || progress.is_cancelled()) return step;
  }
}

// All channels are driven, so one without a tone is not merely quiet.
void append_silent_channels(Findings& findings, std::span<const Findings> steps,
                            const std::vector<std::string>& channels) {
  const std::vector<std::string> heard = channels_with_tone(steps);
  for (const std::string& name : channels) {
    if (steps.empty() || std::find(heard.begin(), heard.end(), name) != heard.end()) continue;
    if (std::any_of(findings.cautions.begin(), findings.cautions.end(),
                    [&](const Caution& c) { return c.code == "no_tone" && c.channel == name; })) {
      continue;
    }
    append_caution(findings, "no_tone",
                   "nothing came back in this channel; check the wiring, the balance control and "
                   "the protection relay",
                   name);
  }
}

// The spread of each step belongs to its point.
void append_repeatability(Findings& findings, std::span<const Findings> steps,
                          const std::vector<std::vector<double>>& repeatability) {
  for (Curve& curve : findings.curves) {
    if (curve.key != "response") continue;
    const std::size_t channel = curve.channel == "right" ? 1 : 0;
    for (CurvePoint& point : curve.points) {
      for (std::size_t i = 0; i < steps.size(); ++i) {
        if (value_of(steps[i], "frequency", curve.channel, Unit::kHertz) != point.x) continue;
        if (channel < repeatability[i].size()) point.uncertainty = repeatability[i][channel];
      }
    }
  }
}

}  // namespace

std::vector<double> response_frequencies(const ResponseSettings& settings) {
  constexpr std::array<int, 5> kSteps = {1, 2, 3, 6, 12};
  if (std::find(kSteps.begin(), kSteps.end(), settings.steps_per_octave) == kSteps.end()) {
    throw Error(ExitCode::kUsage, fmt::format("steps per octave {}: ISO 266 has 1, 2, 3, 6 or 12",
                                              settings.steps_per_octave));
  }
  // Base ten: an octave is taken as 10^0.3, so that the steps repeat with every decade.
  const double step = 0.3 / settings.steps_per_octave;
  constexpr double kMargin = 1.003;  // "20 Hz" is 19.953 Hz
  std::vector<double> frequencies;
  for (int n = static_cast<int>(std::floor(-3 / step)); n * step < 3.1; ++n) {
    const double frequency_hz = 1000 * std::pow(10, n * step);
    if (frequency_hz * kMargin >= settings.from_hz && frequency_hz <= settings.to_hz * kMargin) {
      frequencies.push_back(frequency_hz);
    }
  }
  if (frequencies.empty() || !(settings.from_hz > 0)) {
    throw Error(ExitCode::kUsage,
                fmt::format("no step from {:.6g} to {:.6g} Hz: give a wider range, lowest first",
                            settings.from_hz, settings.to_hz));
  }
  return frequencies;
}

Findings run_response(Session& session, const ResponseSettings& settings, Progress& progress) {
  const std::vector<double> frequencies = response_frequencies(settings);
  const double highest_hz = 0.45 * session.sample_rate().hz;
  if (frequencies.back() > highest_hz) {
    throw Error(ExitCode::kUsage,
                fmt::format("to {:.6g} Hz: above {:.6g} Hz, 0.45 of the rate; lower it, or use a "
                            "higher rate",
                            frequencies.back(), highest_hz));
  }
  Findings findings = session.begin_findings("response");
  findings.conditions.push_back({"drive_dbfs", settings.level_dbfs});
  findings.conditions.push_back(
      {"steps_per_octave", static_cast<double>(settings.steps_per_octave)});
  if (session.chain()) session.guard_watts(settings.limit_w);
  std::vector<Findings> steps;
  std::vector<std::vector<double>> repeatability;
  try {
    for (std::size_t i = 0; i < frequencies.size() && !progress.is_cancelled(); ++i) {
      progress.report(static_cast<double>(i) / static_cast<double>(frequencies.size()),
                      fmt::format("{:.5g} Hz", frequencies[i]));
      Step step = measure_step(session, settings, frequencies[i], progress);
      steps.push_back(std::move(step.findings));
      repeatability.push_back(std::move(step.repeatability_db));
    }
  } catch (const Error& failure) {
    if (steps.empty() || failure.code() != ExitCode::kDevice) throw;
    append_caution(findings, kDeviceFailed, failure.what());
  }
  session.silence();
  append_response(findings, steps, settings);
  append_silent_channels(findings, steps, session.context().channels);
  append_repeatability(findings, steps, repeatability);
  findings.ended_s = steps.empty() ? findings.started_s : steps.back().ended_s;
  if (progress.is_cancelled()) {
    append_caution(findings, "stopped",
                   fmt::format("stopped after {} of {} steps", steps.size(), frequencies.size()));
  }
  return findings;
}

void append_response(Findings& findings, std::span<const Findings> steps,
                     const ResponseSettings& settings) {
  for (const std::string& channel : channels_with_tone(steps)) {
    const std::vector<Point> points = relative_levels(steps, channel);
    if (!points.empty() &&
        (points.front().frequency_hz > 1003 || points.back().frequency_hz < 997)) {
      append_caution(findings, "no_1_khz",
                     "1 kHz was not measured: levels are relative to the step nearest to it",
                     channel);
    }
    Curve curve{"response", channel, frequency_axis(), {"level", "dB", false}, {}};
    double highest = -1e9;
    double lowest = 1e9;
    for (const Point& point : points) {
      CurvePoint at;
      at.x = point.frequency_hz;
      at.y = point.value;
      curve.points.push_back(std::move(at));
      const Band flat{settings.flat_from_hz, settings.flat_to_hz};
      if (!flat.contains(point.frequency_hz)) continue;
      highest = std::max(highest, point.value);
      lowest = std::min(lowest, point.value);
    }
    findings.curves.push_back(std::move(curve));
    if (highest >= lowest) {
      append_reading(findings, "flatness", channel, (highest - lowest) / 2, Unit::kDb);
      findings.readings.back().note = fmt::format("half the spread, {:.5g} Hz to {:.5g} Hz",
                                                  settings.flat_from_hz, settings.flat_to_hz);
      append_reading(findings, "response_highest", channel, highest, Unit::kDb);
      append_reading(findings, "response_lowest", channel, lowest, Unit::kDb);
    }
    for (const auto& [name, down_db] :
         {std::pair{"0.5", 0.5}, std::pair{"1", 1.0}, std::pair{"3", 3.0}}) {
      for (const auto& [side, direction] : {std::pair{"lower", -1}, std::pair{"upper", 1}}) {
        append_reading(findings, fmt::format("{}_corner_{}_db", side, name), channel,
                       corner_hz(points, down_db, direction), Unit::kHertz);
        if (!findings.readings.back().value) findings.readings.back().note = "not reached";
      }
    }
    if (settings.has_thd) {
      append_curve(findings, steps, "thd_n", channel, Unit::kPercent, {"distortion", "%", true});
      append_curve(findings, steps, "thd", channel, Unit::kPercent, {"distortion", "%", true});
    }
  }
  append_curve(findings, steps, "phase", "pair", Unit::kDegree, {"phase", "deg", false});
  append_curve(findings, steps, "balance", "pair", Unit::kDb, {"balance", "dB", false});
  // Cautions of the steps, each kind once, with the frequencies where it arose.
  std::vector<std::pair<std::string, std::string>> seen;
  for (const Findings& step : steps) {
    for (const Caution& caution : step.cautions) {
      if (!concerns_all_steps(caution.code)) continue;
      const std::pair key(caution.code, caution.channel);
      if (std::find(seen.begin(), seen.end(), key) != seen.end()) continue;
      seen.push_back(key);
      const auto frequency = value_of(
          step, "frequency", caution.channel.empty() ? "left" : caution.channel, Unit::kHertz);
      Caution first = caution;
      if (frequency) first.text += fmt::format(" (first at {:.5g} Hz)", *frequency);
      findings.cautions.push_back(std::move(first));
    }
  }
}

}  // namespace sinewright
