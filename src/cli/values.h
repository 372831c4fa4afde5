// Values on the command line: read strictly, refused in one line that names option, value, bound
// and way out.
#pragma once

#include <CLI/CLI.hpp>
#include <optional>
#include <string>
#include <vector>

#include "dsp/band.h"

namespace sinewright {

/// Values that an option takes, both ends inclusive.
struct Bounds {
  double low;
  double high;
  std::string unit;  ///< "Hz"; empty for a count
};

/// The number in `text`. Throws Error (kUsage) for anything else, also for nan and inf.
[[nodiscard]] double parse_number(const std::string& option, const std::string& text,
                                  const Bounds& bounds);

/// The same for whole numbers.
[[nodiscard]] int parse_count(const std::string& option, const std::string& text,
                              const Bounds& bounds);

/// "20-20000", "22k", "80k" (both from 20 Hz), "none". Throws Error (kUsage) for anything else.
[[nodiscard]] Band parse_band(const std::string& text);

/// Throws Error (kUsage) when `frequency_hz` is not below half the rate.
void check_below_nyquist(const std::string& option, double frequency_hz, double sample_rate_hz);

/// Options of one number; where the target holds a value it is shown as the default.
CLI::Option* add_number(CLI::App& app, const std::string& name, double& target,
                        const Bounds& bounds, const std::string& help);
CLI::Option* add_number(CLI::App& app, const std::string& name, std::optional<double>& target,
                        const Bounds& bounds, const std::string& help);
CLI::Option* add_count(CLI::App& app, const std::string& name, int& target, const Bounds& bounds,
                       const std::string& help);

/// An option that may be given several times, one number each; the first use replaces the default.
CLI::Option* add_numbers(CLI::App& app, const std::string& name, std::vector<double>& target,
                         const Bounds& bounds, const std::string& help);

/// One of `words`; `target` becomes its index. `help` names the default where there is one.
CLI::Option* add_choice(CLI::App& app, const std::string& name, std::size_t& target,
                        const std::vector<std::string>& words, const std::string& help);

}  // namespace sinewright
