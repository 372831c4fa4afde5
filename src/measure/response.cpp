#include "measure/response.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "findings/error.h"
#include "measure/append.h"
#include "measure/response_curve.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

// After a step of frequency the filters of unit and sound card ring on: six periods and 20 ms take
// a low cut at the frequency itself below a hundredth of a decibel, and an input high-pass of 2 Hz
// out of the way at 20 Hz.
double settling_s(double frequency_hz) { return 0.02 + 6 / frequency_hz; }

Axis frequency_axis() { return {"frequency", "Hz", true}; }

// Repeatability and what was still settling: twice the deviation, and the drift across the step.
double repeatability_db(const ToneChannel& tone, double duration_s) {
  return 2 * 8.686 * tone.level_deviation + std::abs(tone.level_drift_db_per_s) * duration_s / 2;
}

// What a step of a quarter of a second says about drift and clicks is mostly its own settling, and
// is carried in the point's uncertainty.
bool concerns_all_steps(const std::string& code) {
  constexpr std::array<const char*, 7> kKept = {
      "clipped",     "near_full_scale",     "dropout", "no_tone", "mono_input",
      "no_loopback", "response_uncorrected"};
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
      point.uncertainty = reading->uncertainty;
      point.interval = reading->interval;
      point.limited_by = reading->limited_by;
    }
    curve.points.push_back(std::move(point));
  }
  if (!curve.points.empty()) findings.curves.push_back(std::move(curve));
}

void append_flatness(Findings& findings, std::span<const ResponsePoint> points,
                     const std::string& channel, const ResponseSettings& settings) {
  const Band flat{settings.flat_from_hz, settings.flat_to_hz};
  const ResponsePoint* highest = nullptr;
  const ResponsePoint* lowest = nullptr;
  for (const ResponsePoint& point : points) {
    if (!flat.contains(point.frequency_hz)) continue;
    if (highest == nullptr || point.level_db > highest->level_db) highest = &point;
    if (lowest == nullptr || point.level_db < lowest->level_db) lowest = &point;
  }
  if (highest == nullptr) return;
  Reading& flatness = append_reading(findings, "flatness", channel,
                                     (highest->level_db - lowest->level_db) / 2, Unit::kDb);
  flatness.note = fmt::format("half the spread, {:.5g} Hz to {:.5g} Hz", settings.flat_from_hz,
                              settings.flat_to_hz);
  const std::optional<Uncertainty> sure = half_spread(*highest, *lowest);
  if (sure) set_absolute_uncertainty(flatness, *sure);
  const auto add = [&](const char* key, const ResponsePoint& point) {
    Reading& reading = append_reading(findings, key, channel, point.level_db, Unit::kDb);
    if (point.sure) set_absolute_uncertainty(reading, *point.sure);
  };
  add("response_highest", *highest);
  add("response_lowest", *lowest);
}

void append_corners(Findings& findings, std::span<const ResponsePoint> points,
                    const std::string& channel) {
  for (const auto& [name, down_db] :
       {std::pair{"0.5", 0.5}, std::pair{"1", 1.0}, std::pair{"3", 3.0}}) {
    for (const auto& [side, direction] : {std::pair{"lower", -1}, std::pair{"upper", 1}}) {
      const std::optional<Corner> corner = find_corner(points, down_db, direction);
      Reading& reading =
          append_reading(findings, fmt::format("{}_corner_{}_db", side, name), channel,
                         corner ? std::optional(corner->frequency_hz) : std::nullopt, Unit::kHertz);
      if (!corner) reading.note = "not reached";
      if (corner && corner->sure) set_absolute_uncertainty(reading, *corner->sure);
    }
  }
}

void append_level_curve(Findings& findings, const std::vector<ResponsePoint>& points,
                        const std::string& channel, const ResponseSettings& settings) {
  if (!points.empty() && (points.front().frequency_hz > 1003 || points.back().frequency_hz < 997)) {
    append_caution(findings, "no_1_khz",
                   "1 kHz was not measured: levels are relative to the step nearest to it",
                   channel);
  }
  Curve curve{"response", channel, frequency_axis(), {"level", "dB", false}, {}};
  for (const ResponsePoint& point : points) {
    CurvePoint at;
    at.x = point.frequency_hz;
    at.y = point.level_db;
    if (point.sure) at.uncertainty = point.sure->expanded;
    curve.points.push_back(std::move(at));
  }
  findings.curves.push_back(std::move(curve));
  append_flatness(findings, points, channel, settings);
  append_corners(findings, points, channel);
}

struct Step {
  Findings findings;
  std::vector<double> repeatability_db;  // of each channel
};

// One frequency: longer while the stated repeatability is not reached, for noise averages and
// settling goes on.
Step measure_step(Session& session, const ResponseSettings& settings, double frequency_hz,
                  Progress& progress, double fraction, bool is_first) {
  // Noise and distortion want more of it than the level does.
  const double least_s = settings.has_thd ? settings.least_step_s : settings.least_step_s / 2;
  double duration_s = std::max(least_s, 5.2 / frequency_hz);
  constexpr double kDelay_s = 0.3;  // of a slow sound server
  session.rest_before({frequency_hz}, settings.level_dbfs,
                      kDelay_s + settling_s(frequency_hz) + duration_s, progress, fraction);
  session.play({frequency_hz}, settings.level_dbfs);
  // After the climb, so that a recording of the sweep holds its first step as a plateau too.
  constexpr double kFirst_s = 0.2;
  session.settle(settling_s(frequency_hz) + (is_first ? kFirst_s : 0));
  for (int attempt = 0;; ++attempt, duration_s *= 2) {
    ToneAnalysis analysis;
    Step step;
    step.findings = session.measure_tone(session.capture(duration_s), {frequency_hz}, &analysis);
    session.refuse_if_cut("response");
    bool is_good = true;
    for (const ToneChannel& tone : analysis.channels) {
      step.repeatability_db.push_back(repeatability_db(tone, duration_s));
      is_good = is_good &&
                (!tone.has_tone || step.repeatability_db.back() <= settings.level_uncertainty_db);
    }
    // Nor longer than the load and output networks bear.
    const bool must_end = session.drive().allowed_s() < 2 * duration_s + kDelay_s;
    if (is_good || must_end || attempt == 3 || progress.is_cancelled()) return step;
  }
}

// The channel that a step heard and the next one does not: a relay, a fuse, a lead.
std::optional<std::string> lost_channel(const Findings& before, const Findings& now,
                                        const std::vector<std::string>& channels) {
  constexpr double kLost_db = 40;  // no filter falls so far from one step to the next
  for (const std::string& channel : channels) {
    const auto then_dbfs = value_of(before, "fundamental", channel, Unit::kDbfs);
    const auto now_dbfs = value_of(now, "fundamental", channel, Unit::kDbfs);
    if (then_dbfs && (!now_dbfs || *now_dbfs < *then_dbfs - kLost_db)) return channel;
  }
  return std::nullopt;
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

// What was still settling in a step, beyond what its noise feigns.
double unsettled_db(const Findings& step, const std::string& channel, double repeatability_db) {
  const Reading* level = find_reading(step, "fundamental", channel, Unit::kDbfs);
  const double spread_db = level == nullptr ? 0 : level->uncertainty.value_or(0);
  return std::max(0.0, repeatability_db - 2 * spread_db);
}

// The spread of each step belongs to its point; a budget has it already, but not the settling.
void append_repeatability(Findings& findings, std::span<const Findings> steps,
                          const std::vector<std::vector<double>>& repeatability) {
  for (Curve& curve : findings.curves) {
    if (curve.key != "response") continue;
    const std::size_t channel = curve.channel == "right" ? 1 : 0;
    for (CurvePoint& point : curve.points) {
      for (std::size_t i = 0; i < steps.size(); ++i) {
        if (value_of(steps[i], "frequency", curve.channel, Unit::kHertz) != point.x) continue;
        if (channel >= repeatability[i].size()) continue;
        if (point.uncertainty == 0.0) continue;  // the reference: 0 by definition
        const double step_db = repeatability[i][channel];
        point.uncertainty =
            point.uncertainty
                ? std::hypot(*point.uncertainty, unsettled_db(steps[i], curve.channel, step_db))
                : step_db;
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
  bool is_stopped = false;
  try {
    for (std::size_t i = 0; i < frequencies.size() && !progress.is_cancelled(); ++i) {
      const double fraction = static_cast<double>(i) / static_cast<double>(frequencies.size());
      progress.report(fraction, fmt::format("{:.5g} Hz", frequencies[i]));
      Step step = measure_step(session, settings, frequencies[i], progress, fraction, i == 0);
      const auto lost = steps.empty()
                            ? std::nullopt
                            : lost_channel(steps.back(), step.findings, session.context().channels);
      if (lost) {
        append_caution(findings, "channel_lost",
                       fmt::format("{} vanished at {:.5g} Hz: a protection relay, or a lead; "
                                   "stopped. Start again low once it is explained",
                                   *lost, frequencies[i]));
        break;
      }
      steps.push_back(std::move(step.findings));
      repeatability.push_back(std::move(step.repeatability_db));
    }
  } catch (const Stopped&) {
    if (steps.empty()) throw;
    is_stopped = true;
  } catch (const Error& failure) {
    const bool is_refused = failure.code() == ExitCode::kRefused;
    session.silence();
    if (steps.empty() || (failure.code() != ExitCode::kDevice && !is_refused)) throw;
    append_caution(findings, is_refused ? "over_limit" : kDeviceFailed, failure.what());
  }
  session.silence();
  append_response(findings, steps, settings, session.context());
  append_silent_channels(findings, steps, session.context().channels);
  append_repeatability(findings, steps, repeatability);
  findings.ended_s = steps.empty() ? findings.started_s : steps.back().ended_s;
  if (is_stopped || progress.is_cancelled()) {
    append_caution(findings, "stopped",
                   fmt::format("stopped after {} of {} steps", steps.size(), frequencies.size()));
  }
  return findings;
}

void append_response(Findings& findings, std::span<const Findings> steps,
                     const ResponseSettings& settings, const ReadingContext& context) {
  for (const std::string& channel : channels_with_tone(steps)) {
    append_level_curve(findings, response_points(steps, channel, context), channel, settings);
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
      if (frequency && caution.code != "no_loopback")
        first.text += fmt::format(" (first at {:.5g} Hz)", *frequency);
      findings.cautions.push_back(std::move(first));
    }
  }
}

}  // namespace sinewright
