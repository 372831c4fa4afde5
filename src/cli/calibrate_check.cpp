// sinewright calibrate check: the day's first act.
#include <fmt/format.h>

#include <memory>

#include "cli/calibrate.h"
#include "cli/console.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"
#include "measure/bench_check.h"

namespace sinewright {
namespace {

struct CheckOptions {
  BenchOptions bench;
  MeterOptions meter;
  AnswerOptions answers;
  BenchCheckSettings check;
  bool asks_meter = false;
  bool has_no_stream_check = false;
  std::vector<Condition> conditions;
  OutputOptions output;
};

constexpr const char* kResolution = "--meter-resolution";

// The accuracy stated, else that of the calibration: it is the same meter as a rule.
MeterAccuracy accuracy_of(const CheckOptions& options, const Chain& chain) {
  const bool is_stated = options.meter.percent || options.meter.digits || options.meter.resolution;
  const std::optional<ScaleCalibrations>& known = chain.range().calibration;
  if (!is_stated && known) return known->meter;
  return meter_of(options.meter, options.bench, kResolution, "V");
}

int run_check(CheckOptions options) {
  check_output(options.output, false);
  require_bench(options.bench, "check");
  OpenedBench bench = open_bench(options.bench, {}, options.conditions, Devices::kBoth);
  if (options.asks_meter || options.answers.left) {
    options.check.meter = accuracy_of(options, *bench.session->chain());
  }
  options.check.checks_stream = !options.has_no_stream_check;
  const auto person = answering(bench, options.answers);
  TerminalProgress progress;
  const Findings findings = check_bench(*bench.session, options.check, *person, progress);
  bench.session.reset();
  progress.clear();
  const int code = publish_run(options.output, std::span(&findings, 1));
  if (refutes_bench(findings)) {
    throw Error(ExitCode::kRefused,
                "calibrate check: measure nothing on this bench until the cautions above are "
                "explained");
  }
  if (options.output.is_text()) {
    print(findings.cautions.empty() ? "The bench agrees with its profile.\n"
                                    : "Nothing contradicts the profile; mind the cautions.\n");
  }
  return code;
}

}  // namespace

void add_calibrate_check_command(CLI::App& calibrate, Job& job) {
  CLI::App* command = calibrate.add_subcommand(
      "check", "Does the bench still agree with its profile, and is the stream unaltered?");
  const auto options = std::make_shared<CheckOptions>();
  command->add_flag("--meter", options->asks_meter, "also ask for one meter reading");
  add_number(*command, "--meter-left", options->answers.left, {0, 1000, "V"},
             "what the meter reads across the top of the left divider");
  add_meter_options(*command, options->meter, kResolution, "V");
  add_confirmed_option(*command, options->answers);
  command->add_flag("--no-stream-check", options->has_no_stream_check,
                    "levels only, some 2 s instead of 20 s");
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_condition_options(*command, options->conditions);
  add_output_options(*command, options->output);
  add_example(*command, "sinewright calibrate check --bench my-bench.toml --range high --meter");
  command->callback([&job, options] { job = [options] { return run_check(*options); }; });
}

}  // namespace sinewright
