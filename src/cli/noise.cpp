// sinewright noise: hum and noise, and what they point to.
#include "measure/noise.h"

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

struct NoiseOptions {
  NoiseRunSettings noise;
  bool skips_off = false;
  bool skips_shorted = false;
  Band band;
  BenchOptions bench;
  std::vector<Condition> conditions;
  OutputOptions output;
};

constexpr const char* kWayOut = "pass --skip-off and --skip-shorted to read it as it is connected";

void check_presence(const NoiseOptions& options) {
  const bool asks = options.noise.reads_off || options.noise.reads_shorted;
  if (!asks || !options.bench.scenario_path.empty() || is_input_terminal()) return;
  throw Error(ExitCode::kRefused,
              std::string("noise asks the operator to throw switches, but nobody is at the "
                          "terminal; ") +
                  kWayOut);
}

int run_noise_command(NoiseOptions options) {
  check_output(options.output, true);
  if (options.noise.relative_to_w && options.noise.relative_to_vrms) {
    throw Error(ExitCode::kUsage,
                "--relative-to-watts and --relative-to-volts exclude each other; give one");
  }
  if ((options.noise.relative_to_w || options.noise.relative_to_vrms) &&
      options.bench.profile_path.empty()) {
    throw Error(ExitCode::kUsage,
                "a reference in watts or volts needs a bench profile; name it with --bench");
  }
  options.noise.reads_off = !options.skips_off;
  options.noise.reads_shorted = !options.skips_shorted;
  check_presence(options);
  OpenedBench bench = open_bench(options.bench, options.band, options.conditions, Devices::kInput);
  const auto person = operator_of(bench, kWayOut);
  TerminalProgress progress;
  const std::vector<Findings> findings =
      run_noise(*bench.session, options.noise, progress, *person);
  bench.session.reset();
  progress.clear();
  return publish_run(options.output, findings);
}

}  // namespace

void add_noise_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(kNoiseKind.name, kNoiseKind.headline);
  const auto options = std::make_shared<NoiseOptions>();
  add_number(*command, "--duration", options->noise.duration_s, {0.5, 3600, "s"},
             "of each reading");
  add_number(*command, "--relative-to-watts", options->noise.relative_to_w, {1e-6, 10000, "W"},
             "signal-to-noise ratio relative to this power");
  add_number(*command, "--relative-to-volts", options->noise.relative_to_vrms, {1e-6, 1000, "V"},
             "or to this level");
  command->add_flag("--skip-off", options->skips_off,
                    "leave out the reading with the unit switched off");
  command->add_flag("--skip-shorted", options->skips_shorted,
                    "leave out the one with its input shorted");
  add_band_option(*command, options->band);
  add_bench_options(*command, options->bench, Devices::kInput);
  add_condition_options(*command, options->conditions);
  add_output_options(*command, options->output);
  add_example(*command,
              "sinewright noise --bench my-bench.toml --range low --relative-to-watts 62");
  command->callback([&job, options] { job = [options] { return run_noise_command(*options); }; });
}

}  // namespace sinewright
