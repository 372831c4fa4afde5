#include "measure/power.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "findings/error.h"
#include "measure/append.h"
#include "measure/power_curve.h"
#include "measure/power_run.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

const char* driven_text(Driven driven) {
  switch (driven) {
    case Driven::kBoth:
      return "both";
    case Driven::kLeft:
      return "left";
    case Driven::kRight:
      return "right";
  }
  return "";
}

void require_settings(const Session& session, const PowerSettings& settings) {
  const auto refuse = [](const std::string& text) { throw Error(ExitCode::kUsage, text); };
  if (!session.chain()) refuse("power: needs a bench profile for watts; give --bench FILE");
  if (settings.frequencies_hz.empty()) refuse("power: no frequency given");
  for (const double frequency_hz : settings.frequencies_hz) {
    if (!(frequency_hz >= 10 && frequency_hz <= 0.45 * session.sample_rate().hz)) {
      refuse(
          fmt::format("power: frequency {:.6g} Hz: must lie between 10 Hz and {:.6g} Hz, 0.45 "
                      "of the rate",
                      frequency_hz, 0.45 * session.sample_rate().hz));
    }
  }
  for (const double percent : settings.thresholds_percent) {
    if (!(percent > 0 && percent <= 10)) {
      refuse(fmt::format("power: threshold {:.4g} %: must lie above 0 and up to 10 %", percent));
    }
  }
  const Profile& profile = session.chain()->profile();
  if (!(settings.limit_w >= 0 && settings.limit_w <= profile.power_limit_w)) {
    refuse(fmt::format("power: limit {:.4g} W: must lie between 0 and {:.4g} W, the profile's",
                       settings.limit_w, profile.power_limit_w));
  }
  const double limit_w = settings.limit_w > 0 ? settings.limit_w : profile.power_limit_w;
  if (!(settings.from_w > 0 && settings.from_w < limit_w)) {
    refuse(fmt::format("power: from {:.4g} W: must lie between 0 and the limit, {:.4g} W",
                       settings.from_w, limit_w));
  }
  if (!(settings.ceiling_percent > 0)) refuse("power: the distortion ceiling must lie above 0 %");
  if (!(settings.step_db >= 0.1 && settings.step_db <= 10 && settings.step_s >= 0.1 &&
        settings.step_s <= 10)) {
    refuse("power: steps must be of 0.1 to 10 dB and last 0.1 to 10 s");
  }
}

}  // namespace

void append_power(Findings& findings, std::span<const Findings> steps,
                  std::span<const double> thresholds_percent) {
  const std::vector<std::string> channels = channels_with_tone(steps);
  bool has_watts = false;
  for (const Findings& step : steps) {
    for (const std::string& channel : channels) {
      has_watts = has_watts || value_of(step, "level", channel, Unit::kWatt).has_value();
    }
  }
  const Axis distortion{"distortion", "%", true};
  for (const std::string& channel : channels) {
    const Curve thd_n =
        curve_over_output(steps, "thd_n", channel, channel, Unit::kPercent, distortion, has_watts);
    if (thd_n.points.empty()) continue;
    append_distortion_limits(findings, steps, channel, has_watts, thresholds_percent);
    findings.curves.push_back(thd_n);
    findings.curves.push_back(
        curve_over_output(steps, "thd", channel, channel, Unit::kPercent, distortion, has_watts));
  }
  Curve balance = curve_over_output(steps, "balance", "pair", "left", Unit::kDb,
                                    {"balance", "dB", false}, has_watts);
  if (!balance.points.empty()) findings.curves.push_back(std::move(balance));
}

std::vector<Findings> run_power(Session& session, const PowerSettings& settings, Progress& progress,
                                Operator& person) {
  require_settings(session, settings);
  const Profile& profile = session.chain()->profile();
  PowerLimits limits;
  limits.power_w = settings.limit_w > 0 ? settings.limit_w : profile.power_limit_w;
  limits.power_w = std::min(limits.power_w, profile.load.rated_w);
  limits.ceiling_percent = settings.ceiling_percent;

  std::string confirmed = "not needed: 1 W or less";
  if (limits.power_w > 1) {
    confirmed = "stated beforehand";
    if (!settings.is_confirmed) {
      if (!person.confirms(kPowerChecklist)) {
        throw Error(ExitCode::kRefused,
                    "power: the checklist was not confirmed; nothing above "
                    "1 W was played");
      }
      session.forget_gain();
      confirmed = "confirmed by the operator";
    }
  }

  std::vector<Findings> all;
  bool needs_guidance = settings.has_guidance;
  for (std::size_t i = 0; i < settings.frequencies_hz.size() && !progress.is_cancelled(); ++i) {
    const double frequency_hz = settings.frequencies_hz[i];
    Findings findings = session.begin_findings("power");
    findings.conditions.push_back({"frequency_hz", frequency_hz});
    findings.conditions.push_back({"channels_driven", std::string(driven_text(settings.driven))});
    findings.conditions.push_back({"power_limit_w", limits.power_w});
    findings.conditions.push_back({"checklist", confirmed});
    PowerRun run(session, settings, limits, progress);
    bool has_failed = false;
    try {
      run.begin(frequency_hz);
      if (needs_guidance) run.guide_volume(person);
      needs_guidance = false;
      run.climb();
      run.search();
      session.silence();
      session.settle(0.05);
    } catch (const Stopped&) {
      if (run.steps().empty() && all.empty()) throw;
      if (run.steps().empty()) return all;
      append_caution(findings, "stopped",
                     fmt::format("stopped after {} levels", run.steps().size()));
      has_failed = true;
    } catch (const Error& failure) {
      // What is finished is kept: the steps of this frequency, or the frequencies before.
      session.silence();
      if (failure.code() != ExitCode::kDevice || (run.steps().empty() && all.empty())) throw;
      append_caution(run.steps().empty() ? all.back() : findings, kDeviceFailed, failure.what());
      if (run.steps().empty()) return all;
      has_failed = true;
    }
    append_power(findings, run.steps(), settings.thresholds_percent);
    run.append_extremes(findings);
    for (const Caution& caution : run.cautions()) findings.cautions.push_back(caution);
    findings.ended_s = run.ended_s(findings.started_s);
    all.push_back(std::move(findings));
    // What ended the climb for the unit's sake ends the run: nothing starts again by itself.
    if (has_failed || run.is_unsafe()) break;
  }
  return all;
}

}  // namespace sinewright
