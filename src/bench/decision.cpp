#include "bench/decision.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

namespace sinewright {

namespace {

void require(const Tolerance& t) {
  if (!t.lower && !t.upper)
    throw std::invalid_argument("tolerance: neither lower nor upper limit, must have one");
  if ((t.lower && !std::isfinite(*t.lower)) || (t.upper && !std::isfinite(*t.upper)))
    throw std::invalid_argument("tolerance: a limit is not finite");
  if (t.lower && t.upper && *t.lower >= *t.upper)
    throw std::invalid_argument(
        fmt::format("tolerance: lower {}, must lie below upper {}", *t.lower, *t.upper));
}

void require_not_negative(const char* name, double value) {
  if (std::isfinite(value) && value >= 0) return;
  throw std::invalid_argument(fmt::format("{}: {}, must be finite and not negative", name, value));
}

/// How far inside the lower and the upper limit; infinitely far where there is none.
double inside_lower(double value, const Tolerance& t) {
  return t.lower ? value - *t.lower : std::numeric_limits<double>::infinity();
}
double inside_upper(double value, const Tolerance& t) {
  return t.upper ? *t.upper - value : std::numeric_limits<double>::infinity();
}

double conformance_probability(double margin_lower, double margin_upper, double standard) {
  if (standard == 0) return margin_lower >= 0 && margin_upper >= 0 ? 1 : 0;
  // From both tails, so that a small one keeps its digits.
  const double outside =
      normal_below(-margin_lower / standard) + normal_below(-margin_upper / standard);
  return std::max(0.0, 1 - outside);
}

}  // namespace

Decision decide(double value, double standard, double guard_band, const Tolerance& tolerance) {
  require(tolerance);
  if (!std::isfinite(value))
    throw std::invalid_argument(fmt::format("value: {}, must be finite", value));
  require_not_negative("standard", standard);
  require_not_negative("guard_band", guard_band);

  const double lower = inside_lower(value, tolerance);
  const double upper = inside_upper(value, tolerance);
  Decision decision;
  decision.guard_band = guard_band;
  decision.margin = std::min(lower, upper);
  decision.conformance = conformance_probability(lower, upper, standard);
  if (decision.margin >= guard_band)
    decision.verdict = Verdict::kPass;
  else if (decision.margin < -guard_band)
    decision.verdict = Verdict::kFail;
  return decision;
}

Decision decide(double value, const Uncertainty& uncertainty, const Tolerance& tolerance) {
  return decide(value, uncertainty.standard, uncertainty.expanded, tolerance);
}

Decision decide(const Interval& interval, const Tolerance& tolerance) {
  require(tolerance);
  if (!(interval.low <= interval.high))
    throw std::invalid_argument(
        fmt::format("interval: low {}, must not lie above high {}", interval.low, interval.high));
  Decision decision;
  decision.margin =
      std::min(inside_lower(interval.low, tolerance), inside_upper(interval.high, tolerance));
  const bool none_conforms =
      inside_lower(interval.high, tolerance) < 0 || inside_upper(interval.low, tolerance) < 0;
  if (decision.margin >= 0)
    decision.verdict = Verdict::kPass;
  else if (none_conforms)
    decision.verdict = Verdict::kFail;
  return decision;
}

}  // namespace sinewright
