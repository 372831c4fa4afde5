#include "cli/values.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>

#include "findings/error.h"
#include "report/labels.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

constexpr double kBandLow_hz = 20;
constexpr double kHighestBand_hz = 1e6;

[[noreturn]] void refuse(const std::string& option, const std::string& text,
                         const std::string& why) {
  throw Error(ExitCode::kUsage, fmt::format("{} {}: {}", option, printable(text), why));
}

std::string with_unit(double value, const std::string& unit) {
  return unit.empty() ? short_number(value) : fmt::format("{} {}", short_number(value), unit);
}

std::string way_out(const Bounds& bounds) {
  return fmt::format("give {} to {}", short_number(bounds.low),
                     with_unit(bounds.high, bounds.unit));
}

std::optional<double> number_in(const std::string& text) {
  double value = 0;
  const char* const end = text.data() + text.size();
  const auto [rest, error] = std::from_chars(text.data(), end, value);
  if (error != std::errc() || rest != end || !std::isfinite(value)) return std::nullopt;
  return value;
}

std::string in_capitals(std::string unit) {
  if (unit.empty()) return "N";
  if (unit == "%") return "PERCENT";
  std::replace(unit.begin(), unit.end(), ' ', '_');
  for (char& c : unit) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return unit;
}

std::string with_default(const std::string& help, const std::string& value) {
  return fmt::format("{} (default {})", help, value);
}

std::string first_name(const std::string& names) { return names.substr(0, names.find(',')); }

}  // namespace

double parse_number(const std::string& option, const std::string& text, const Bounds& bounds) {
  const std::optional<double> value = number_in(text);
  if (!value && text.find(',') != std::string::npos) {
    refuse(option, text, "has a comma; type a point for decimals");
  }
  if (!value) refuse(option, text, "not a number; " + way_out(bounds));
  if (*value < bounds.low) {
    refuse(option, text,
           fmt::format("below {}; {}", with_unit(bounds.low, bounds.unit), way_out(bounds)));
  }
  if (*value > bounds.high) {
    refuse(option, text,
           fmt::format("above {}; {}", with_unit(bounds.high, bounds.unit), way_out(bounds)));
  }
  return *value;
}

int parse_count(const std::string& option, const std::string& text, const Bounds& bounds) {
  const double value = parse_number(option, text, bounds);
  if (value != std::floor(value)) refuse(option, text, "not a whole number; " + way_out(bounds));
  return static_cast<int>(value);
}

Band parse_band(const std::string& text) {
  if (text == "none") return Band::unlimited();
  if (text == "22k") return {kBandLow_hz, 22000};
  if (text == "80k") return {kBandLow_hz, 80000};
  const std::size_t dash = text.find('-');
  const auto low = number_in(text.substr(0, dash));
  const auto high = dash == std::string::npos
                        ? std::nullopt
                        : number_in(text.substr(std::min(dash + 1, text.size())));
  if (!low || !high) {
    refuse("--band", text, "no band; give LOW-HIGH in Hz (20-20000), 22k, 80k or none");
  }
  if (*low < 0 || *high > kHighestBand_hz || *low >= *high) {
    refuse("--band", text,
           "no such band; LOW must be 0 or more and below HIGH, HIGH at most 1 MHz");
  }
  return {*low, *high};
}

void check_below_nyquist(const std::string& option, double frequency_hz, double sample_rate_hz) {
  if (frequency_hz < sample_rate_hz / 2) return;
  refuse(option, short_number(frequency_hz),
         fmt::format("not below {} Hz, half the rate; lower it, or use a higher --rate",
                     short_number(sample_rate_hz / 2)));
}

CLI::Option* add_number(CLI::App& app, const std::string& name, double& target,
                        const Bounds& bounds, const std::string& help) {
  const std::string option = first_name(name);
  return app
      .add_option_function<std::string>(
          name,
          [&target, option, bounds](const std::string& text) {
            target = parse_number(option, text, bounds);
          },
          with_default(help, short_number(target)))
      ->type_name(in_capitals(bounds.unit));
}

CLI::Option* add_number(CLI::App& app, const std::string& name, std::optional<double>& target,
                        const Bounds& bounds, const std::string& help) {
  const std::string option = first_name(name);
  return app
      .add_option_function<std::string>(
          name,
          [&target, option, bounds](const std::string& text) {
            target = parse_number(option, text, bounds);
          },
          help)
      ->type_name(in_capitals(bounds.unit));
}

CLI::Option* add_count(CLI::App& app, const std::string& name, int& target, const Bounds& bounds,
                       const std::string& help) {
  const std::string option = first_name(name);
  return app
      .add_option_function<std::string>(
          name,
          [&target, option, bounds](const std::string& text) {
            target = parse_count(option, text, bounds);
          },
          with_default(help, std::to_string(target)))
      ->type_name("N");
}

CLI::Option* add_numbers(CLI::App& app, const std::string& name, std::vector<double>& target,
                         const Bounds& bounds, const std::string& help) {
  std::string defaults;
  for (const double value : target) {
    defaults += (defaults.empty() ? "" : " and ") + short_number(value);
  }
  const std::string option = first_name(name);
  CLI::Option* added = app.add_option_function<std::vector<std::string>>(
      name,
      [&target, option, bounds](const std::vector<std::string>& texts) {
        target.clear();
        for (const std::string& text : texts) target.push_back(parse_number(option, text, bounds));
      },
      defaults.empty() ? help : with_default(help, defaults));
  return added->type_name(in_capitals(bounds.unit))->allow_extra_args(false);
}

CLI::Option* add_choice(CLI::App& app, const std::string& name, std::size_t& target,
                        const std::vector<std::string>& words, const std::string& help) {
  const std::string list = fmt::format("{}", fmt::join(words, ", "));
  return app
      .add_option_function<std::string>(
          name,
          [&target, name, words, list](const std::string& text) {
            const auto found = std::find(words.begin(), words.end(), text);
            if (found == words.end()) refuse(name, text, "unknown; give one of " + list);
            target = static_cast<std::size_t>(found - words.begin());
          },
          help)
      ->type_name(fmt::format("{}", fmt::join(words, "|")));
}

}  // namespace sinewright
