#include "measure/response_curve.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "dsp/units.h"
#include "measure/append.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

constexpr double kReference_hz = 1000;
constexpr double kDbPerRatio = 20 / std::numbers::ln10;

// Of the fundamental at the converter, as its reading gives it.
Repeatability spread_of(const Findings& step, const std::string& channel) {
  const Reading* level = find_reading(step, "fundamental", channel, Unit::kDbfs);
  Repeatability spread;
  if (level != nullptr && level->uncertainty && level->k) {
    spread.relative = *level->uncertainty / *level->k / kDbPerRatio;
  }
  return spread;
}

// By this sound card's output; of a foreign source its input alone is in the reading.
bool is_played(const Findings& step, const ReadingContext& context) {
  if (context.drive_dbfs) return true;
  return std::any_of(step.conditions.begin(), step.conditions.end(),
                     [](const Condition& condition) { return condition.key == "drive_dbfs"; });
}

struct Reference {
  double frequency_hz = kReference_hz;  ///< of a step, where that is the reference itself
  double level_db = 0;
  Repeatability spread;
};

Reference reference_of(std::span<const ResponsePoint> points,
                       std::span<const Repeatability> spreads) {
  const auto above = std::find_if(points.begin(), points.end(), [](const ResponsePoint& point) {
    return point.frequency_hz >= kReference_hz;
  });
  const auto at = static_cast<std::size_t>(above - points.begin());
  constexpr double kSame = 1e-3;  // the clock's error, and what a short step makes of it
  const auto is_reference = [](const ResponsePoint& point) {
    return std::abs(point.frequency_hz / kReference_hz - 1) < kSame;
  };
  const auto step = [&](std::size_t i) {
    return Reference{points[i].frequency_hz, points[i].level_db, spreads[i]};
  };
  if (at == 0) return step(0);
  if (is_reference(points[at - 1])) return step(at - 1);
  if (above == points.end()) return step(at - 1);
  if (is_reference(*above)) return step(at);
  const ResponsePoint& below = points[at - 1];
  Reference reference;
  reference.level_db =
      interpolate(std::log(below.frequency_hz), below.level_db, std::log(above->frequency_hz),
                  above->level_db, std::log(kReference_hz));
  // No more than that of the worse step, however the line divides between them.
  reference.spread =
      spreads[at].relative > spreads[at - 1].relative ? spreads[at] : spreads[at - 1];
  return reference;
}

Uncertainty in_db(Uncertainty relative) {
  relative.standard *= kDbPerRatio;
  relative.expanded *= kDbPerRatio;
  return relative;
}

}  // namespace

std::vector<ResponsePoint> response_points(std::span<const Findings> steps,
                                           const std::string& channel,
                                           const ReadingContext& context) {
  std::vector<ResponsePoint> points;
  std::vector<Repeatability> spreads;
  const bool is_known = knows_sound_card(context, channel);
  const std::size_t index = channel_index(context, channel);
  std::vector<double> foreign_db;  // what the loopback's share of the output leaves open
  for (const Findings& step : steps) {
    const auto frequency = value_of(step, "frequency", channel, Unit::kHertz);
    const auto level = value_of(step, "fundamental", channel, Unit::kDbfs);
    if (!frequency || !level) continue;
    std::optional<double> own_db;
    if (is_known) own_db = context.residual->response_db(index, *frequency, kReference_hz);
    const double share_db = is_played(step, context) ? 0 : own_db.value_or(0) / 2;
    points.push_back({*frequency, *level - own_db.value_or(0) + share_db, std::nullopt});
    foreign_db.push_back(share_db);
    spreads.push_back(spread_of(step, channel));
  }
  if (points.empty()) return points;
  const Reference reference = reference_of(points, spreads);
  for (std::size_t i = 0; i < points.size(); ++i) {
    points[i].level_db -= reference.level_db;
    if (!is_known || !is_calibrated(context, channel)) continue;
    if (points[i].frequency_hz == reference.frequency_hz) {
      points[i].sure = Uncertainty{};  // 0 by definition: neither spread nor sound card
      continue;
    }
    std::vector<Component> budget =
        response_budget(*context.chain, index, points[i].frequency_hz, spreads[i], reference.spread,
                        context.residual.get());
    if (budget.empty()) continue;
    budget.push_back(rectangular("share of output and input",
                                 amplitude_ratio_of_db(std::abs(foreign_db[i])) - 1));
    points[i].sure = in_db(combine(budget));
  }
  return points;
}

std::optional<Corner> find_corner(std::span<const ResponsePoint> points, double down_db,
                                  int direction) {
  const auto count = static_cast<std::ptrdiff_t>(points.size());
  const auto at = [&](std::ptrdiff_t i) -> const ResponsePoint& {
    return points[static_cast<std::size_t>(i)];
  };
  std::ptrdiff_t start = 0;
  while (start + 1 < count && at(start).frequency_hz < kReference_hz) ++start;
  for (std::ptrdiff_t i = start; i + direction >= 0 && i + direction < count; i += direction) {
    const ResponsePoint& inner = at(i);
    const ResponsePoint& outer = at(i + direction);
    if (!(inner.level_db >= -down_db && outer.level_db < -down_db)) continue;
    Corner corner;
    corner.frequency_hz =
        std::exp(interpolate(inner.level_db, std::log(inner.frequency_hz), outer.level_db,
                             std::log(outer.frequency_hz), -down_db));
    if (!inner.sure || !outer.sure) return corner;
    // Hz per dB of the line between both.
    const double slope = corner.frequency_hz * std::log(outer.frequency_hz / inner.frequency_hz) /
                         (outer.level_db - inner.level_db);
    const bool has_third = i - direction >= 0 && i - direction < count;
    const double bend_db =
        has_third ? at(i - direction).level_db - 2 * inner.level_db + outer.level_db : 0;
    const std::array<Component, 2> budget = {
        Component{"level", std::max(inner.sure->standard, outer.sure->standard), slope},
        // A parabola leaves its chord by an eighth of the second difference.
        rectangular("straight line", std::abs(bend_db) / 8, slope)};
    corner.sure = combine(budget);
    return corner;
  }
  return std::nullopt;
}

std::optional<Uncertainty> half_spread(const ResponsePoint& highest, const ResponsePoint& lowest) {
  if (!highest.sure || !lowest.sure) return std::nullopt;
  const std::array<Component, 2> budget = {Component{"highest", highest.sure->standard, 0.5},
                                           Component{"lowest", lowest.sure->standard, 0.5}};
  return combine(budget);
}

}  // namespace sinewright
