// sinewright truth: what the simulated bench truly does, for comparison with what was measured.
#include <fmt/format.h>

#include <memory>

#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/values.h"
#include "device/bench_truth.h"
#include "device/scenario.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct TruthOptions {
  std::string scenario_path;
  TruthConditions conditions;
  std::optional<double> volume_db;
  std::optional<int> parts;
  bool is_off = false;
  std::size_t driven = 0;  ///< index of the word
  std::optional<double> percent;
  Band band;
};

std::string limit_text(const Scenario& scenario, const TruthOptions& options, std::size_t channel) {
  const char* const name = channel == kLeft ? "left" : "right";
  const auto limit = output_limit_truth(scenario, options.conditions, channel, *options.percent);
  if (!limit) {
    return fmt::format(
        "Output at {:g} % THD+N, {}: none at this volume with a drive up to +30 dBFS\n",
        *options.percent, name);
  }
  const ChannelTruth& truth = limit->channels[channel];
  return fmt::format(
      "Output at {:g} % THD+N, {}: {:.2f} W, peaks {:+.2f} {:+.2f} V, drive {:.2f} dBFS\n",
      *options.percent, name, truth.as_read.watts, truth.peak_positive_v, truth.peak_negative_v,
      limit->conditions.drive_dbfs);
}

int run_truth(TruthOptions options) {
  Scenario scenario = read_scenario(options.scenario_path);
  if (options.parts) {
    scenario.parts =
        random_parts(static_cast<std::uint64_t>(*options.parts), scenario.ranges.size());
  }
  TruthConditions& conditions = options.conditions;
  check_below_nyquist("--frequency", conditions.frequency_hz, conditions.sample_rate.hz);
  conditions.volume_db = options.volume_db.value_or(scenario.receiver.volume.start_db);
  conditions.is_powered = !options.is_off;
  conditions.is_driven = {options.driven != 2, options.driven != 1};
  conditions.band_low_hz = options.band.low_hz;
  conditions.band_high_hz = options.band.high_hz;
  std::string text = to_text(bench_truth(scenario, conditions));
  if (options.parts) text += "\n" + parts_text(scenario);
  if (options.percent) {
    text += "\n" + limit_text(scenario, options, kLeft) + limit_text(scenario, options, kRight);
  }
  print(text);
  return 0;
}

}  // namespace

void add_truth_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand("truth", "Print the true figures of a simulated bench");
  const auto options = std::make_shared<TruthOptions>();
  TruthConditions& conditions = options->conditions;
  command->add_option("SCENARIO", options->scenario_path, "scenario file, .toml")
      ->type_name("")
      ->required();
  add_number(*command, "--frequency", conditions.frequency_hz, {0.1, 384000, "Hz"}, "of the tone");
  add_number(*command, "--drive", conditions.drive_dbfs, {-200, 30, "dBFS"}, "level of the tone");
  add_number(*command, "--volume", options->volume_db, {-120, 0, "dB"},
             "volume control; 0 is fully up, by default where the scenario starts");
  command->add_option("--range", conditions.range, "divider range; the scenario's first by default")
      ->type_name("NAME");
  add_parts_option(*command, options->parts);
  add_number(*command, "--rate", conditions.sample_rate.hz, {44100, 192000, "Hz"}, "sample rate");
  add_choice(*command, "--driven", options->driven, {"both", "left", "right"},
             "channels driven (default both)");
  command->add_flag("--off", options->is_off, "the unit is switched off");
  command->add_flag("--shorted", conditions.is_input_shorted, "its input is shorted");
  add_number(*command, "--percent", options->percent, {0.0001, 50, "%"},
             "also the output at this THD+N");
  add_band_option(*command, options->band);
  add_example(*command, "sinewright truth calibration/larkfield-lr62-as-left.toml --drive -20");
  command->callback([&job, options] { job = [options] { return run_truth(*options); }; });
}

}  // namespace sinewright
