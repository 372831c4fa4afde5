// The steps of `sinewright calibrate`, and what they share.
#pragma once

#include <CLI/CLI.hpp>
#include <memory>
#include <optional>
#include <string>

#include "bench/calibration.h"
#include "bench/profile.h"
#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/options.h"
#include "measure/measurement.h"

namespace sinewright {

/// Each adds one step to `calibrate`, as the commands of commands.h are added.
void add_calibrate_start_command(CLI::App& calibrate, Job& job);
void add_calibrate_input_command(CLI::App& calibrate, Job& job);
void add_calibrate_output_command(CLI::App& calibrate, Job& job);
void add_calibrate_load_command(CLI::App& calibrate, Job& job);
void add_calibrate_loopback_command(CLI::App& calibrate, Job& job);
void add_calibrate_check_command(CLI::App& calibrate, Job& job);
void add_calibrate_show_command(CLI::App& calibrate, Job& job);

/// A meter's accuracy as options; what is missing is asked for.
struct MeterOptions {
  std::optional<double> percent;
  std::optional<double> digits;
  std::optional<double> resolution;
};

/// What the operator would answer, stated beforehand.
struct AnswerOptions {
  std::optional<double> left;
  std::optional<double> right;
  std::optional<double> leads;
  bool is_confirmed = false;
};

/// `unit`: "V" or "ohm"; `resolution_name`: "--meter-resolution".
void add_meter_options(CLI::App& app, MeterOptions& options, const std::string& resolution_name,
                       const std::string& unit);
void add_confirmed_option(CLI::App& app, AnswerOptions& options);

/// The accuracy stated; what is missing comes from the simulated bench's meter where that is in
/// use, else from a question. Throws Error (kUsage) when nobody is there to be asked.
[[nodiscard]] MeterAccuracy meter_of(const MeterOptions& options, const BenchOptions& bench,
                                     const std::string& resolution_name, const std::string& unit);

/// The operator with these answers; the simulated bench's own hand does what is not stated.
[[nodiscard]] std::unique_ptr<Operator> answering(const OpenedBench& bench,
                                                  const AnswerOptions& options);

/// Throws Error (kUsage) without --bench.
void require_bench(const BenchOptions& options, const char* step);

/// Refuses what parse_profile() would, then writes; says on stdout what became of the file.
void save_profile(const std::string& path, const Profile& profile);

}  // namespace sinewright
