// The bench for people: its chain link by link, and what leaves a watt and a distortion open.
#pragma once

#include <span>
#include <string>

#include "bench/profile.h"
#include "bench/residual.h"
#include "bench/uncertainty.h"
#include "report/text_table.h"

namespace sinewright {

/// Every link: value, calibrated when and against what; nominal where it is not.
[[nodiscard]] std::string render_chain(const Profile& profile, const TextStyle& style);

/// A budget as JCGM 100 lists it: line, standard uncertainty, sensitivity, share of the combined
/// variance, shape; then combined, k, expanded, in % and dB. `db_per_ratio`: 20 for volts, 10 for
/// watts.
[[nodiscard]] std::string render_budget(const std::string& title,
                                        std::span<const Component> components, double db_per_ratio,
                                        const TextStyle& style);

/// What the budgets of the bench are made out for.
struct BudgetPoint {
  double watts = 1;
  double thd_percent = 0.01;
  double frequency_hz = 997;
};

/// The budget of a watt, each channel, and of a distortion: second and third harmonic of equal
/// share. Says which step is missing where there is no budget.
[[nodiscard]] std::string render_budgets(const Chain& chain, const BudgetPoint& point,
                                         const TextStyle& style);

}  // namespace sinewright
