#include "cli/operators.h"

#include <fmt/format.h>

#include <algorithm>
#include <sstream>

#include "cli/console.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "device/simulated_bench.h"
#include "findings/error.h"
#include "report/text_table.h"

namespace sinewright {
namespace {

constexpr double kTurn_db = 1;

// Each line wrapped by itself: a checklist stays a list.
std::string asked(const std::string& text) {
  std::string set;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    set += wrapped(line, line.starts_with("- ") ? "  " : "", error_columns());
  }
  return set;
}

}  // namespace

void TerminalOperator::check_presence() const {
  if (is_input_terminal()) return;
  throw Error(ExitCode::kRefused,
              "nobody is at the terminal to be asked; once it is so, " + way_out_);
}

bool TerminalOperator::confirms(const std::string& text) {
  check_presence();
  print_error(fmt::format("\n{}Is it so? Type yes to go on, anything else stops: ", asked(text)));
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

std::optional<double> TerminalOperator::reads_meter(const MeterPoint& /*point*/,
                                                    const std::string& text,
                                                    const std::function<void()>& meanwhile) {
  check_presence();
  for (;;) {
    print_error(fmt::format("\n{}Type the reading, or Enter to skip: ", asked(text)));
    while (!is_line_waiting()) {
      if (is_interrupted()) return std::nullopt;
      meanwhile();
    }
    std::string line;
    if (!read_line(line) || line.empty()) return std::nullopt;
    try {
      return parse_number("reading", line, {1e-9, 1e6, ""});
    } catch (const Error& error) {
      print_error(fmt::format("{}\n", error.what()));
    }
  }
}

bool SimulatedOperator::confirms(const std::string& text) {
  print_error(fmt::format("{}(simulated bench: done)\n", asked(text)));
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
  print_error(fmt::format("{}(simulated bench: done)\n", asked(text)));
  return true;
}

std::optional<double> SimulatedOperator::reads_meter(const MeterPoint& point,
                                                     const std::string& text,
                                                     const std::function<void()>& meanwhile) {
  meanwhile();
  const double reading = bench_.meter_reading(point);
  print_error(fmt::format("{}(simulated bench: the meter reads {:.6g})\n", asked(text), reading));
  return reading;
}

}  // namespace sinewright
