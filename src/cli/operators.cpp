#include "cli/operators.h"

#include <fmt/format.h>

#include <algorithm>
#include <sstream>

#include "cli/console.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "device/simulated_bench.h"
#include "findings/error.h"
#include "report/labels.h"
#include "report/text_table.h"

namespace sinewright {
namespace {

constexpr double kTurn_db = 1;
constexpr double kLeastTyped_v = 1e-6;
constexpr double kMostTyped_v = 1e4;

// Where a progress line may stand, a question begins on a line of its own.
std::string new_line() { return is_error_terminal() ? "\r\033[K" : ""; }

// Each line wrapped by itself: a checklist stays a list.
std::string asked(const std::string& text) {
  std::string set;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    set += wrapped(line, line.starts_with("- ") ? "  " : "", error_columns());
  }
  return set;
}

bool is_in_ohms(const MeterPoint& point) {
  return point.place == MeterPoint::Place::kLoad || point.place == MeterPoint::Place::kLeads;
}

std::string trimmed(const std::string& text) {
  const std::size_t first = text.find_first_not_of(" \t\r");
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

/// Takes `unit` off the end of `text`; false when it does not stand there.
bool takes_off(std::string& text, const std::string& unit) {
  if (!text.ends_with(unit)) return false;
  text = trimmed(text.substr(0, text.size() - unit.size()));
  return true;
}

/// What was read off a meter and typed, the unit along with it or not. Throws Error (kUsage).
double typed_reading(const MeterPoint& point, const std::string& text) {
  // 1,414 is 1.414 to one and 1414 to another: never guessed.
  if (text.find(',') != std::string::npos) {
    throw Error(ExitCode::kUsage,
                fmt::format("reading {}: has a comma; type a point before the decimals, nothing "
                            "between thousands",
                            printable(text)));
  }
  std::string number = text;
  if (is_in_ohms(point)) {
    static_cast<void>(takes_off(number, "ohm") || takes_off(number, "Ω"));
    // Joined leads may well show 0.
    return parse_number("reading", number, {0, 1e6, "ohm"});
  }
  if (takes_off(number, "mV")) {
    return parse_number("reading", number, {1e3 * kLeastTyped_v, 1e3 * kMostTyped_v, "mV"}) / 1e3;
  }
  static_cast<void>(takes_off(number, "V"));
  return parse_number("reading", number, {kLeastTyped_v, kMostTyped_v, "V"});
}

}  // namespace

void TerminalOperator::check_presence() const {
  if (is_input_terminal()) return;
  throw Error(ExitCode::kRefused,
              "nobody is at the terminal to be asked; once it is so, " + way_out_);
}

bool TerminalOperator::confirms(const std::string& text) {
  check_presence();
  drop_typed_ahead();  // keys hit while something ran are no answers
  print_error(fmt::format("{}\n{}Is it so? Type yes to go on, anything else stops: ", new_line(),
                          asked(text)));
  std::string answer;
  if (!read_line(answer)) return false;
  return answer == "yes" || answer == "y";
}

bool TerminalOperator::is_done_turning(const std::string& text) {
  check_presence();
  print_error("\r\033[K" + cut_to(text + "   [Enter: done]", error_columns() - 1));
  if (!is_line_waiting()) return false;
  std::string line;
  static_cast<void>(read_line(line));
  return true;
}

bool TerminalOperator::wires(Wiring /*wiring*/, const std::string& text) { return confirms(text); }

std::optional<double> TerminalOperator::reads_meter(const MeterPoint& point,
                                                    const std::string& text,
                                                    const std::function<void()>& meanwhile) {
  check_presence();
  drop_typed_ahead();
  for (;;) {
    print_error(fmt::format("{}\n{}Type the reading, or Enter to skip: ", new_line(), asked(text)));
    while (!is_line_waiting()) {
      if (is_interrupted()) return std::nullopt;
      meanwhile();
    }
    std::string line;
    if (!read_line(line)) return std::nullopt;
    line = trimmed(line);
    if (line.empty()) return std::nullopt;
    try {
      return typed_reading(point, line);
    } catch (const Error& error) {
      print_error(fmt::format("{}\n", error.what()));
    }
  }
}

bool SimulatedOperator::confirms(const std::string& text) {
  print_error(fmt::format("{}{}(simulated bench: done)\n", new_line(), asked(text)));
  if (text.starts_with("Switch the unit off")) bench_.set_powered(false);
  if (text.starts_with("Switch the unit on")) bench_.set_powered(true);
  if (text.starts_with("Short the input")) bench_.set_input_shorted(true);
  if (text.starts_with("Remove the short")) bench_.set_input_shorted(false);
  return true;
}

bool SimulatedOperator::is_done_turning(const std::string& text) {
  const bool goes_down = text.starts_with("turn the volume down");
  const bool is_at_stop = goes_down ? bench_.volume_db() <= -120 : bench_.volume_db() >= 0;
  if (!text.starts_with("enough") && !is_at_stop) {
    const double turned_db = bench_.volume_db() + (goes_down ? -kTurn_db : kTurn_db);
    bench_.set_volume_db(std::clamp(turned_db, -120.0, 0.0));
    return false;
  }
  print_error(fmt::format("{}(simulated bench: volume set to {:.1f} dB)\n", asked(text),
                          bench_.volume_db()));
  return true;
}

bool SimulatedOperator::wires(Wiring wiring, const std::string& text) {
  bench_.set_wiring(wiring);
  print_error(fmt::format("{}{}(simulated bench: done)\n", new_line(), asked(text)));
  return true;
}

std::optional<double> SimulatedOperator::reads_meter(const MeterPoint& point,
                                                     const std::string& text,
                                                     const std::function<void()>& meanwhile) {
  meanwhile();
  const double reading = bench_.meter_reading(point);
  print_error(fmt::format("{}(simulated bench: the meter reads {:.6g} {})\n", asked(text), reading,
                          is_in_ohms(point) ? "ohm" : "V"));
  return reading;
}

}  // namespace sinewright
