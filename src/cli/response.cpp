// sinewright response: level, phase and distortion over frequency.
#include "measure/response.h"

#include <memory>

#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/options.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct ResponseOptions {
  ResponseSettings response;
  bool has_no_thd = false;
  Band band;
  bool is_confirmed = false;
  BenchOptions bench;
  std::vector<Condition> conditions;
  OutputOptions output;
};

int run_response_command(ResponseOptions options) {
  check_output(options.output, true);
  refuse_with_limiter(options.conditions);
  options.response.has_thd = !options.has_no_thd;
  static_cast<void>(response_frequencies(options.response));  // refuses before anything is opened
  OpenedBench bench = open_bench(options.bench, options.band, options.conditions, Devices::kBoth);
  warn_of_unknown_watts(*bench.session);
  options.response.limit_w = allowed_watts(*bench.session, options.is_confirmed);
  TerminalProgress progress;
  const Findings findings = run_response(*bench.session, options.response, progress);
  bench.session.reset();
  progress.clear();
  return publish_run(options.output, {&findings, 1});
}

}  // namespace

void add_response_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(kResponseKind.name, kResponseKind.headline);
  const auto options = std::make_shared<ResponseOptions>();
  ResponseSettings& response = options->response;
  add_number(*command, "--from", response.from_hz, {1, 384000, "Hz"}, "lowest frequency");
  add_number(*command, "--to", response.to_hz, {1, 384000, "Hz"}, "highest frequency");
  add_count(*command, "--steps-per-octave", response.steps_per_octave, {1, 12, ""},
            "1, 2, 3, 6 or 12 (ISO 266)");
  add_number(*command, "--level", response.level_dbfs, {-120, 0, "dBFS"}, "of the tone played");
  add_number(*command, "--flat-from", response.flat_from_hz, {1, 384000, "Hz"},
             "flatness is stated from here");
  add_number(*command, "--flat-to", response.flat_to_hz, {1, 384000, "Hz"}, "to here");
  command->add_flag("--confirmed", options->is_confirmed,
                    "the checklist of docs/safety.md was gone through: more than 1 W is allowed");
  command->add_flag("--no-thd", options->has_no_thd, "level and phase only, in less time");
  add_band_option(*command, options->band);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_condition_options(*command, options->conditions);
  add_output_options(*command, options->output);
  add_example(
      *command,
      "sinewright response --bench my-bench.toml --steps-per-octave 3 --output response.svg");
  command->callback(
      [&job, options] { job = [options] { return run_response_command(*options); }; });
}

}  // namespace sinewright
