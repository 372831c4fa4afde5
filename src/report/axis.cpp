#include "report/axis.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "report/numbers.h"

namespace sinewright {
namespace {

// ISO 266 calls 19.953 Hz "20 Hz": a point so close outside a grid line adds no digit.
constexpr double kEdgeTolerance = 0.005;
// Flat within less than this many dB: drawn flat, not its noise magnified.
constexpr double kSmallestDbSpan = 2.0;

std::string tick_label(double value) {
  if (value >= 1000) return short_number(value / 1000) + " k";
  return short_number(value);
}

double nice_step(double span) {
  const double raw = span / 6;
  const double decade = std::pow(10.0, std::floor(std::log10(raw)));
  for (const double factor : {1.0, 2.0, 5.0}) {
    if (raw <= factor * decade * 1.0001) return factor * decade;
  }
  return 10 * decade;
}

double decade_below(double value) { return std::pow(10.0, std::floor(std::log10(value))); }

double digit_below(double value) {
  const double decade = decade_below(value * (1 + kEdgeTolerance));
  return std::floor(value * (1 + kEdgeTolerance) / decade) * decade;
}

double digit_above(double value) {
  const double decade = decade_below(value * (1 - kEdgeTolerance));
  return std::ceil(value * (1 - kEdgeTolerance) / decade) * decade;
}

struct Extent {
  double low = std::numeric_limits<double>::infinity();
  double high = -std::numeric_limits<double>::infinity();
  void include(double value) {
    low = std::min(low, value);
    high = std::max(high, value);
  }
};

}  // namespace

PlotAxis::PlotAxis(double low, double high, bool is_logarithmic, double smallest_span)
    : low_(low), high_(high), is_logarithmic_(is_logarithmic) {
  if (is_logarithmic_) {
    lay_out_logarithmic();
  } else {
    lay_out_linear(smallest_span);
  }
}

void PlotAxis::lay_out_linear(double smallest_span) {
  if (high_ - low_ < smallest_span || high_ == low_) {
    const double middle = (low_ + high_) / 2;
    const double span = smallest_span > 0 ? smallest_span : std::max(1.0, std::abs(middle));
    low_ = middle - span / 2;
    high_ = middle + span / 2;
  }
  const double step = nice_step(high_ - low_);
  low_ = std::floor(low_ / step + 1e-6) * step;
  high_ = std::ceil(high_ / step - 1e-6) * step;
  const int count = static_cast<int>(std::lround((high_ - low_) / step));
  for (int i = 0; i <= count; ++i) {
    const double value = low_ + i * step;
    // Rounded to the step, so that 0 is 0 and not 1e-17.
    ticks_.push_back({value, short_number(std::round(value / step) * step)});
  }
}

void PlotAxis::lay_out_logarithmic() {
  low_ = digit_below(low_);
  high_ = digit_above(high_);
  if (high_ <= low_ * 1.01) {
    low_ = digit_below(low_ / 2);
    high_ = digit_above(high_ * 2);
  }
  const double decades = std::log10(high_ / low_);
  const int first = static_cast<int>(std::floor(std::log10(low_ * (1 + kEdgeTolerance))));
  const int last = static_cast<int>(std::floor(std::log10(high_ * 1.001)));
  for (int exponent = first; exponent <= last; ++exponent) {
    const double decade = std::pow(10.0, exponent);
    for (int digit = 1; digit <= 9; ++digit) {
      const double value = digit * decade;
      if (value < low_ * 0.999 || value > high_ * 1.001) continue;
      const bool is_labelled =
          digit == 1 || decades < 1 || (decades <= 4 && (digit == 2 || digit == 5));
      ticks_.push_back({value, is_labelled ? tick_label(value) : ""});
    }
  }
}

double PlotAxis::position(double value) const {
  const double place = is_logarithmic_ ? std::log(value / low_) / std::log(high_ / low_)
                                       : (value - low_) / (high_ - low_);
  return std::clamp(place, 0.0, 1.0);
}

bool can_be_drawn(const Curve& curve, const CurvePoint& point) {
  return std::isfinite(point.x) && point.y && std::isfinite(*point.y) &&
         (!curve.x.logarithmic || point.x > 0) && (!curve.y.logarithmic || *point.y > 0);
}

PlotAxis x_axis_of(std::span<const Curve> curves) {
  Extent extent;
  bool is_logarithmic = false;
  for (const Curve& curve : curves) {
    is_logarithmic = curve.x.logarithmic;
    for (const CurvePoint& point : curve.points) {
      if (can_be_drawn(curve, point)) extent.include(point.x);
    }
  }
  if (extent.low > extent.high)
    return is_logarithmic ? PlotAxis(1, 10, true) : PlotAxis(0, 1, false);
  return {extent.low, extent.high, is_logarithmic};
}

PlotAxis y_axis_of(std::span<const Curve> curves) {
  Extent extent;
  bool is_logarithmic = false;
  double smallest_span = 0;
  for (const Curve& curve : curves) {
    is_logarithmic = curve.y.logarithmic;
    if (curve.y.unit.rfind("dB", 0) == 0) smallest_span = kSmallestDbSpan;
    for (const CurvePoint& point : curve.points) {
      if (!can_be_drawn(curve, point)) continue;
      extent.include(*point.y);
      if (point.interval && !point.uncertainty) extent.include(point.interval->high);
    }
  }
  if (extent.low > extent.high)
    return is_logarithmic ? PlotAxis(1, 10, true) : PlotAxis(0, 1, false);
  return {extent.low, extent.high, is_logarithmic, smallest_span};
}

}  // namespace sinewright
