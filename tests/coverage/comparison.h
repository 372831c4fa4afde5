// A reading beside the truth.
#pragma once

#include <optional>
#include <vector>

#include "findings/findings.h"
#include "random_bench.h"

namespace sinewright {

enum class Quantity {
  kVolts,
  kWatts,
  kBalance,
  kResponse,        ///< between frequencies of the loopback
  kResponseAtTone,  ///< at one of them
  kThd,             ///< one harmonic, given as value +-
  kThdLimited,      ///< the same, given as an interval: the sound card limits it
  kThdSeveral,
  kThdAlike,
  kThdN,
  kThdNLimited,
  kThdNSeveral,
  kThdNAlike,
  kCount
};

struct Comparison {
  Quantity quantity = Quantity::kVolts;
  double error = 0;  ///< read less true
  double standard = 0;
  double k = 0;  ///< 0 where an interval is given
  bool is_covered = false;
  double width = 0;
  std::optional<double> reference_width = {};  ///< of the JCGM 101 interval, where it was taken
};

/// Value +- expanded, as the tool gives it.
[[nodiscard]] Comparison compare(Quantity quantity, double value, double uncertainty, double k,
                                 double truth);

/// Draws bench `number`, calibrates it by the tool's own procedure, measures it by the tool's own
/// code, and compares. `has_reference`: with JCGM 101 intervals, by Monte Carlo from what the
/// technician knows.
[[nodiscard]] std::vector<Comparison> try_bench(std::uint64_t number, bool has_reference);

}  // namespace sinewright
