// The program: parses, runs what was asked for, and turns errors into one line and an exit code.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <exception>
#include <stdexcept>

#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/usage_error.h"
#include "findings/error.h"
#include "report/labels.h"
#include "version.h"

namespace sinewright {
namespace {

constexpr const char* kDescription =
    "Audio analyzer for the repair bench: sound card, divider and dummy load.\n\n"
    "Mains equipment can kill. Read docs/safety.md before connecting an amplifier.";

int fail(ExitCode code, const std::string& text) {
  print_error("sinewright: " + printable(text) + "\n");
  return static_cast<int>(code);
}

void set_up(CLI::App& app, Job& job) {
  app.set_version_flag("--version", std::string("sinewright ") + kVersion);
  app.require_subcommand(1);
  add_devices_command(app, job);
  add_tone_command(app, job);
  add_measure_command(app, job);
  add_response_command(app, job);
  add_power_command(app, job);
  add_noise_command(app, job);
  add_analyze_command(app, job);
  add_divider_command(app, job);
  add_truth_command(app, job);
  add_calibrate_command(app, job);
  app.get_formatter()->column_width(34);
  add_example(app, "sinewright measure --bench my-bench.toml --follow");
}

int run(int argc, char** argv) {
  Job job;
  CLI::App app(kDescription, "sinewright");
  set_up(app, job);
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& asked) {
    const int code = app.exit(asked);  // help or version
    flush_output();
    return code;
  } catch (const CLI::ParseError& error) {
    return fail(ExitCode::kUsage, usage_error_text(app, error));
  }
  return job();
}

}  // namespace
}  // namespace sinewright

int main(int argc, char** argv) {
  using sinewright::ExitCode;
  try {
    sinewright::install_signal_handlers();
    return sinewright::run(argc, argv);
  } catch (const sinewright::Error& error) {
    return sinewright::fail(error.code(), error.what());
  } catch (const std::invalid_argument& error) {
    return sinewright::fail(ExitCode::kUsage, error.what());
  } catch (const std::bad_alloc&) {
    return sinewright::fail(ExitCode::kFailure, "out of memory; close other programs");
  } catch (const std::exception& error) {
    return sinewright::fail(ExitCode::kFailure, error.what());
  }
}
