// Pass, fail or inconclusive: a reading held against a limit with its uncertainty as guard band.
#pragma once

#include <optional>

#include "bench/uncertainty.h"
#include "findings/findings.h"

namespace sinewright {

enum class Verdict { kPass, kFail, kInconclusive };

/// The values that conform; the limits themselves do. At least one of both, the lower below the
/// upper.
struct Tolerance {
  std::optional<double> lower;
  std::optional<double> upper;
};

struct Decision {
  Verdict verdict = Verdict::kInconclusive;
  double guard_band = 0;  ///< w, in the unit of the value
  /// From the value to the nearer limit, positive inside. For an interval that of its nearer end.
  double margin = 0;
  /// Probability that the true value conforms, for a normal distribution around the value; none
  /// where only an interval is known.
  std::optional<double> conformance;
};

/// Passes where the value lies inside the tolerance by the guard band or more, fails where it lies
/// outside by more than that, and is inconclusive between (JCGM 106, 8.3.2 guarded acceptance and
/// 8.3.3 guarded rejection, clauses from memory; in ILAC-G8:09/2019, 4.2.3, the middle is divided
/// at the limit into two conditional statements). A tolerance narrower than two guard bands passes
/// nothing.
///
/// With w = 2 u of a normal distribution the risk of a wrong verdict is at most 2.28 % at a single
/// limit, with w = 1.645 u 5 %, with w = 0 50 %.
///
/// Throws std::invalid_argument for a value, standard uncertainty or guard band that is not finite,
/// a negative one of the latter two, or a tolerance without limits, or with limits that are not
/// finite or crossed.
[[nodiscard]] Decision decide(double value, double standard, double guard_band,
                              const Tolerance& tolerance);

/// The same with the expanded uncertainty as guard band.
[[nodiscard]] Decision decide(double value, const Uncertainty& uncertainty,
                              const Tolerance& tolerance);

/// Of a value known only to lie in an interval: passes where all of it conforms, fails where none
/// of it does, and is inconclusive otherwise. Guard band 0: the interval already is one. Throws for
/// an interval that is crossed or not a number, and for a tolerance as above.
[[nodiscard]] Decision decide(const Interval& interval, const Tolerance& tolerance);

}  // namespace sinewright
