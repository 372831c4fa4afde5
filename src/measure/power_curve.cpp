#include "measure/power_curve.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "measure/append.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

// One step: what came out, and the distortion of it.
struct OutputStep {
  const Reading* output;
  const Reading* thd_n;
};

std::vector<OutputStep> steps_over_output(std::span<const Findings> steps,
                                          const std::string& channel, Unit output_unit) {
  std::vector<OutputStep> found;
  for (const Findings& step : steps) {
    const Reading* output = find_reading(step, "level", channel, output_unit);
    const Reading* thd_n = find_reading(step, "thd_n", channel, Unit::kPercent);
    if (output != nullptr && output->value && thd_n != nullptr) found.push_back({output, thd_n});
  }
  std::stable_sort(found.begin(), found.end(), [](const OutputStep& a, const OutputStep& b) {
    return *a.output->value < *b.output->value;
  });
  return found;
}

double relative_standard(const Reading& reading) {
  return *reading.uncertainty / *reading.k / *reading.value;
}

// THD+N of one step as an input of the budget; none where it is not known how sure it is.
std::optional<Component> distortion_component(const Reading& thd_n, double slope) {
  if (thd_n.uncertainty && thd_n.k) {
    return Component{"THD+N", relative_standard(thd_n), slope};
  }
  // Anywhere in its interval.
  if (!thd_n.interval || !(thd_n.interval->low > 0)) return std::nullopt;
  return rectangular("THD+N", std::log(thd_n.interval->high / thd_n.interval->low) / 2, slope);
}

struct LimitedOutput {
  double output;
  std::optional<Uncertainty> relative;  // of watts
};

LimitedOutput between(const OutputStep& below, const OutputStep& above, double percent) {
  const double low = *below.thd_n->value;
  const double high = *above.thd_n->value;
  // Watts stand on a logarithmic scale, dBFS are one already.
  const bool has_watts = below.output->unit == Unit::kWatt;
  const auto scale = [&](double output) { return has_watts ? std::log(output) : output; };
  const double from = scale(*below.output->value);
  const double to = scale(*above.output->value);
  const double at = interpolate(std::log(low), from, std::log(high), to, std::log(percent));
  LimitedOutput limited{has_watts ? std::exp(at) : at, std::nullopt};
  if (!has_watts || !above.output->uncertainty || !above.output->k) return limited;
  const double slope = (to - from) / std::log(high / low);
  const auto distortion = distortion_component(*above.thd_n, slope);
  if (!distortion) return limited;
  const std::vector<Component> budget = {Component{"watts", relative_standard(*above.output)},
                                         *distortion};
  limited.relative = combine(budget);
  return limited;
}

std::optional<LimitedOutput> output_at(std::span<const OutputStep> steps, double percent) {
  for (std::size_t i = steps.size(); i-- > 1;) {
    const Reading& low = *steps[i - 1].thd_n;
    const Reading& high = *steps[i].thd_n;
    if (!low.value || !high.value || *low.value > percent || *high.value <= percent) continue;
    return between(steps[i - 1], steps[i], percent);
  }
  return std::nullopt;
}

}  // namespace

Curve curve_over_output(std::span<const Findings> steps, const std::string& key,
                        const std::string& channel, const std::string& output_channel, Unit unit,
                        const Axis& y, bool has_watts) {
  Curve curve{key, channel, {"output", has_watts ? "W" : "dBFS", has_watts}, y, {}};
  for (const Findings& step : steps) {
    const auto output =
        value_of(step, "level", output_channel, has_watts ? Unit::kWatt : Unit::kDbfs);
    const Reading* reading = find_reading(step, key, channel, unit);
    if (!output || reading == nullptr) continue;
    CurvePoint point;
    point.x = *output;
    point.y = reading->value;
    point.uncertainty = reading->uncertainty;
    point.interval = reading->interval;
    point.limited_by = reading->limited_by;
    curve.points.push_back(std::move(point));
  }
  std::stable_sort(curve.points.begin(), curve.points.end(),
                   [](const CurvePoint& a, const CurvePoint& b) { return a.x < b.x; });
  return curve;
}

void append_distortion_limits(Findings& findings, std::span<const Findings> steps,
                              const std::string& channel, bool has_watts,
                              std::span<const double> thresholds_percent) {
  const Unit unit = has_watts ? Unit::kWatt : Unit::kDbfs;
  const std::vector<OutputStep> over_output = steps_over_output(steps, channel, unit);
  for (const double percent : thresholds_percent) {
    const std::optional<LimitedOutput> output = output_at(over_output, percent);
    Reading& reading =
        append_reading(findings, fmt::format("distortion_limited_output_{:g}_percent", percent),
                       channel, output ? finite(output->output) : std::nullopt, unit);
    if (output && output->relative) set_uncertainty(reading, *output->relative);
    if (output) continue;
    const bool is_always_above = std::none_of(
        over_output.begin(), over_output.end(),
        [&](const OutputStep& step) { return step.thd_n->value && *step.thd_n->value <= percent; });
    reading.note =
        is_always_above
            ? fmt::format("THD+N is above {:g} % at every level", percent)
            : fmt::format("THD+N does not rise above {:g} % up to the highest level", percent);
  }
}

}  // namespace sinewright
