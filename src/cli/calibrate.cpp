// sinewright calibrate: from a nominal bench profile to a calibrated one.
#include "cli/calibrate.h"

#include <fmt/format.h>

#include <filesystem>

#include "bench/profile_file.h"
#include "cli/console.h"
#include "cli/operators.h"
#include "cli/stated_answers.h"
#include "cli/values.h"
#include "device/bench_parts.h"
#include "findings/error.h"

namespace sinewright {
namespace {

constexpr const char* kWayOut =
    "pass --confirmed (wired as the step asks; --help says how) and what the meter reads as "
    "options";

/// One number typed at the terminal; asked again until it is one.
double ask_number(const std::string& question, const Bounds& bounds) {
  for (;;) {
    print_error(question + ": ");
    std::string line;
    if (!read_line(line))
      throw Error(ExitCode::kRefused, "calibrate: stopped; nothing was written");
    try {
      return parse_number("answer", line, bounds);
    } catch (const Error& error) {
      print_error(std::string(error.what()) + "\n");
    }
  }
}

double answer_of(const std::optional<double>& stated, const std::string& option,
                 const std::string& question, const Bounds& bounds) {
  if (stated) return *stated;
  if (!is_input_terminal()) {
    throw Error(ExitCode::kUsage,
                fmt::format("{} is missing, and nobody is at the terminal to be asked; it stands "
                            "in the meter's data sheet",
                            option));
  }
  return ask_number(question, bounds);
}

}  // namespace

void add_meter_options(CLI::App& app, MeterOptions& options, const std::string& resolution_name,
                       const std::string& unit) {
  constexpr const char* kGroup = "Meter, as its data sheet says for this range: +-(P % + D digits)";
  add_number(app, "--meter-percent", options.percent, {0, 20, "%"}, "of the reading")
      ->group(kGroup);
  add_number(app, "--meter-digits", options.digits, {0, 1000, ""}, "of the last place")
      ->group(kGroup);
  add_number(app, resolution_name, options.resolution, {1e-9, 10, unit},
             "what the last place is worth")
      ->group(kGroup);
}

void add_confirmed_option(CLI::App& app, AnswerOptions& options) {
  app.add_flag("--confirmed", options.is_confirmed,
               "states that all is wired as the step asks, and docs/safety.md was gone through; "
               "otherwise it is asked");
}

MeterAccuracy meter_of(const MeterOptions& options, const BenchOptions& bench,
                       const std::string& resolution_name, const std::string& unit) {
  const bool is_ohm = unit == "ohm";
  if (!bench.scenario_path.empty()) {
    const PartTolerances simulated;
    return {
        options.percent.value_or(is_ohm ? simulated.ohmmeter_percent : simulated.voltmeter_percent),
        options.digits.value_or(0),
        options.resolution.value_or(is_ohm ? simulated.ohm_resolution : simulated.volt_resolution)};
  }
  MeterAccuracy meter;
  meter.percent = answer_of(options.percent, "--meter-percent",
                            "The meter's data sheet gives its accuracy on this range as +-(P % of "
                            "reading + D digits).\nP, in percent",
                            {0, 20, "%"});
  meter.digits =
      answer_of(options.digits, "--meter-digits", "D, in digits of the last place", {0, 1000, ""});
  meter.resolution = answer_of(
      options.resolution, resolution_name,
      fmt::format("What the last place of the display is worth, in {} (0.001 for 1.234)", unit),
      {1e-9, 10, unit});
  return meter;
}

std::unique_ptr<Operator> answering(const OpenedBench& bench, const AnswerOptions& options) {
  const bool is_simulated = bench.simulated != nullptr;
  const Answers answers{options.left, options.right, options.leads, options.is_confirmed};
  return std::make_unique<StatedAnswers>(operator_of(bench, kWayOut), answers,
                                         is_simulated || is_input_terminal(), is_simulated);
}

void require_bench(const BenchOptions& options, const char* step) {
  if (!options.profile_path.empty()) return;
  throw Error(ExitCode::kUsage, fmt::format("calibrate {}: name the bench profile with --bench; "
                                            "'sinewright calibrate start' writes a first one",
                                            step));
}

void save_profile(const std::string& path, const Profile& profile) {
  static_cast<void>(parse_profile(to_toml(profile), path));
  const bool had_one = std::filesystem::exists(path);
  write_profile(path, profile);
  print(had_one ? fmt::format("Written to {}; the one before is kept as {}.previous.\n", path, path)
                : fmt::format("Written to {}.\n", path));
}

void add_calibrate_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(
      "calibrate", "Calibrate the bench against a multimeter, step by step: true volts and watts");
  command->require_subcommand(1);
  add_calibrate_start_command(*command, job);
  add_calibrate_input_command(*command, job);
  add_calibrate_output_command(*command, job);
  add_calibrate_load_command(*command, job);
  add_calibrate_loopback_command(*command, job);
  add_calibrate_check_command(*command, job);
  add_calibrate_show_command(*command, job);
  add_example(*command,
              "sinewright calibrate input --bench my-bench.toml --range high\n"
              "The whole evening, with the reasons: docs/calibration-guide.md");
}

}  // namespace sinewright
