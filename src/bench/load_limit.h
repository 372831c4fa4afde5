// What a dummy load bears: watts for a while, fewer for ever, and a rest in between.
#pragma once

#include "bench/profile.h"

namespace sinewright {

/// How hot one channel's load is, as a first-order model: driven with P watts its heat h strives
/// for P / continuous_w with the time constant tau, and 1 is as hot as it may get. From cold it
/// bears rated_w for rated_s, which fixes tau = -rated_s / ln(1 - continuous_w / rated_w).
/// Only what is put in counts: air, heatsink and neighbours are in the two figures of the maker.
/// Source: a single thermal resistance and capacitance, textbook; the model is a choice.
///
/// A load without rated_s bears rated_w for ever. One with rated_s but without continuous_w is
/// taken to bear a tenth of rated_w for ever (an assumption: common practice, no source).
class LoadHeat {
 public:
  /// Cold. Throws std::invalid_argument unless rated_w is above 0, rated_s above 0 where it is
  /// stated, and continuous_w above 0; a continuous_w of rated_w or more counts as rated_w.
  explicit LoadHeat(const Load& load);

  /// `watts` for `seconds`, neither negative.
  void advance(double watts, double seconds);
  /// 0 cold, 1 as hot as it may get.
  [[nodiscard]] double heat() const { return heat_; }
  /// Above 1, where it has a memory at all; a load that has none is a matter of watts.
  [[nodiscard]] bool is_too_hot() const { return tau_s_ > 0 && heat_ > 1; }
  /// Whether `watts` for `seconds` from now keep it at 1 or below, and never above rated_w.
  [[nodiscard]] bool may_take(double watts, double seconds) const;
  /// Seconds without drive after which may_take() holds; 0 at once, infinity when not even from
  /// cold.
  [[nodiscard]] double rest_s(double watts, double seconds) const;
  /// For how long from now `watts` may go on; infinity for ever.
  [[nodiscard]] double bearable_s(double watts) const;

 private:
  [[nodiscard]] double final_heat(double watts) const { return watts / continuous_w_; }

  double rated_w_;
  double continuous_w_;
  double tau_s_;  // 0: no memory, rated_w is continuous
  double heat_ = 0;
};

}  // namespace sinewright
