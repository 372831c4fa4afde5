// sinewright power: distortion over output, and the output at stated distortion.
#include "measure/power.h"

#include <memory>

#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct PowerOptions {
  PowerSettings power;
  std::size_t driven = 0;  ///< index of the word
  bool has_no_guidance = false;
  std::optional<double> limit_w;
  Band band;
  BenchOptions bench;
  std::vector<Condition> conditions;
  OutputOptions output;
};

constexpr const char* kWayOut =
    "pass --confirmed (the checklist was gone through) and --no-guidance (the volume is set)";

void check_presence(const PowerOptions& options) {
  const bool asks = !options.power.is_confirmed || options.power.has_guidance;
  if (!asks || !options.bench.scenario_path.empty() || is_input_terminal()) return;
  throw Error(ExitCode::kRefused,
              std::string("power asks the operator, but nobody is at the terminal; ") + kWayOut);
}

int run_power_command(PowerOptions options) {
  check_output(options.output, true);
  refuse_with_limiter(options.conditions);
  if (options.bench.profile_path.empty()) {
    throw Error(ExitCode::kUsage, "power needs watts; name a bench profile with --bench");
  }
  options.power.driven = static_cast<Driven>(options.driven);
  options.power.limit_w = options.limit_w.value_or(0);
  options.power.has_guidance = !options.has_no_guidance;
  check_presence(options);
  OpenedBench bench = open_bench(options.bench, options.band, options.conditions, Devices::kBoth);
  warn_of_unknown_watts(*bench.session);
  const auto person = operator_of(bench, kWayOut);
  TerminalProgress progress;
  const std::vector<Findings> findings =
      run_power(*bench.session, options.power, progress, *person);
  bench.session.reset();
  progress.clear();
  return publish_run(options.output, findings);
}

}  // namespace

void add_power_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(kPowerKind.name, kPowerKind.headline);
  const auto options = std::make_shared<PowerOptions>();
  PowerSettings& power = options->power;
  add_numbers(*command, "--frequency", power.frequencies_hz, {10, 384000, "Hz"},
              "of the tone; repeatable, one run each");
  add_numbers(*command, "--threshold", power.thresholds_percent, {0.0001, 10, "%"},
              "THD+N at which the output is found; repeatable");
  add_number(*command, "--from-watts", power.from_w, {1e-6, 10000, "W"}, "first step");
  add_number(*command, "--limit-watts", options->limit_w, {1e-3, 10000, "W"},
             "never above this, each channel; the profile's limit by default");
  add_number(*command, "--step-db", power.step_db, {0.1, 10, "dB"}, "between steps");
  add_choice(*command, "--driven", options->driven, {"both", "left", "right"},
             "channels driven (default both)");
  command->add_flag("--confirmed", power.is_confirmed,
                    "states that the safety checklist was gone through; otherwise it is asked");
  command->add_flag("--no-guidance", options->has_no_guidance,
                    "the volume is set already; otherwise it is set together first");
  add_band_option(*command, options->band);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_condition_options(*command, options->conditions);
  add_output_options(*command, options->output);
  add_example(*command, "sinewright power --bench my-bench.toml --frequency 997 --threshold 0.1");
  command->callback([&job, options] { job = [options] { return run_power_command(*options); }; });
}

}  // namespace sinewright
