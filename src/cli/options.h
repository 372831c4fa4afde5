// Groups of options that several commands share.
#pragma once

#include <CLI/CLI.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "dsp/band.h"
#include "findings/findings.h"

namespace sinewright {

/// Where the frames come from and go to, and what turns them into volts.
struct BenchOptions {
  std::string profile_path;  ///< empty: no profile, dBFS only
  std::string range;
  std::optional<std::string> input_device;
  std::optional<std::string> output_device;
  std::optional<double> rate_hz;
  std::string scenario_path;  ///< empty: the sound card
  std::optional<double> simulated_volume_db;
  std::optional<int> simulated_parts;  ///< none: every part as marked
  bool is_real_time = false;
};

enum class Devices { kInput, kOutput, kBoth };
void add_bench_options(CLI::App& app, BenchOptions& options, Devices devices);

/// --simulated-parts alone: which draw of parts the simulated bench has.
CLI::Option* add_parts_option(CLI::App& app, std::optional<int>& parts);

/// --bench and --range alone.
void add_profile_options(CLI::App& app, BenchOptions& options);

/// Test conditions: kept with the run, in the order given.
void add_condition_options(CLI::App& app, std::vector<Condition>& conditions);

/// Throws Error (kRefused) when the conditions say that a limiter drops the mains voltage.
void refuse_with_limiter(const std::vector<Condition>& conditions);

void add_band_option(CLI::App& app, Band& band);

/// How results leave the program.
struct OutputOptions {
  bool is_json = false;
  bool is_csv = false;
  std::vector<std::string> files;

  [[nodiscard]] bool is_text() const { return !is_json && !is_csv; }
};

void add_output_options(CLI::App& app, OutputOptions& options);

/// Throws Error (kUsage), before anything is measured, for both --json and --csv, for a file whose
/// extension names no format, or .svg where there are no curves.
void check_output(const OutputOptions& options, bool has_curves);

/// Writes the files of `options`, nothing else.
void write_files(const OutputOptions& options, std::span<const Findings> findings);

/// Publishes a run and returns the exit code. After publishing what there is, throws Error
/// (kDevice) when the device failed, Error (kRefused) when the run ended for the unit's sake
/// (kProtected), Error (kFailure) when the operator stopped it.
[[nodiscard]] int publish_run(const OutputOptions& options, std::span<const Findings> findings);

/// Writes the files, then prints the results on stdout.
void publish(const OutputOptions& options, std::span<const Findings> findings);

/// `text` below the options of `app`: "Example:" and one command line.
void add_example(CLI::App& app, const std::string& text);

}  // namespace sinewright
