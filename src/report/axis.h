// The axes of a chart, on terminal and paper alike: range, place of a value, lines and labels.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "findings/findings.h"

namespace sinewright {

/// A grid line of a chart; with text where it is labelled.
struct Tick {
  double value;
  std::string label;  ///< "20", "500", "2 k"; empty: a line only
};

class PlotAxis {
 public:
  /// An axis that shows `low` to `high`, widened to whole steps (logarithmic: to whole digits of a
  /// decade). Where both are equal, or apart by less than `smallest_span` (linear), widened around
  /// their middle. Logarithmic: both must be above 0.
  PlotAxis(double low, double high, bool is_logarithmic, double smallest_span = 0);

  [[nodiscard]] double low() const { return low_; }
  [[nodiscard]] double high() const { return high_; }

  /// Place of `value`: 0 at low, 1 at high, held to that range.
  [[nodiscard]] double position(double value) const;

  /// Logarithmic: a line for each digit, labelled 1 2 5, or each digit within one decade, or
  /// decades alone where there are more than four. Linear: about six steps, all labelled.
  [[nodiscard]] const std::vector<Tick>& ticks() const { return ticks_; }

 private:
  void lay_out_linear(double smallest_span);
  void lay_out_logarithmic();

  double low_;
  double high_;
  bool is_logarithmic_;
  std::vector<Tick> ticks_;
};

/// True when `point` can stand on axes of these kinds.
[[nodiscard]] bool can_be_drawn(const Curve& curve, const CurvePoint& point);

/// The axis on which all points of `curves` find room; 0 to 1 (or 1 to 10) where there is none.
[[nodiscard]] PlotAxis x_axis_of(std::span<const Curve> curves);
[[nodiscard]] PlotAxis y_axis_of(std::span<const Curve> curves);

}  // namespace sinewright
