// sinewright calibrate show: the whole chain, and the uncertainty budgets.
#include <memory>

#include "cli/calibrate.h"
#include "cli/console.h"
#include "cli/values.h"
#include "report/bench_report.h"

namespace sinewright {
namespace {

struct ShowOptions {
  BenchOptions bench;
  BudgetPoint point;
};

int run_show(const ShowOptions& options) {
  require_bench(options.bench, "show");
  const Chain chain(read_profile(options.bench.profile_path), options.bench.range);
  const TextStyle style = output_style();
  print(render_chain(chain.profile(), style) + render_budgets(chain, options.point, style));
  return 0;
}

}  // namespace

void add_calibrate_show_command(CLI::App& calibrate, Job& job) {
  CLI::App* command = calibrate.add_subcommand(
      "show", "Every link of the chain, and the uncertainty budget of a watt and of a distortion");
  const auto options = std::make_shared<ShowOptions>();
  add_profile_options(*command, options->bench);
  add_number(*command, "--watts", options->point.watts, {1e-6, 10000, "W"}, "of the budgets");
  add_number(*command, "--thd", options->point.thd_percent, {1e-5, 100, "%"},
             "of the distortion's budget");
  add_number(*command, "--frequency", options->point.frequency_hz, {10, 100000, "Hz"},
             "of the budgets");
  add_example(*command, "sinewright calibrate show --bench my-bench.toml --watts 10");
  command->callback([&job, options] { job = [options] { return run_show(*options); }; });
}

}  // namespace sinewright
