// sinewright analyze: recordings, one or a thousand.
#include "measure/analyze.h"

#include <fmt/format.h>

#include <iostream>
#include <memory>

#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/recording_printer.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct AnalyzeOptions {
  std::vector<std::string> paths;
  std::size_t taken_as = 0;  ///< index of the word
  bool has_details = false;
  AnalyzeSettings settings;
  BenchOptions bench;
  OutputOptions output;
};

// A path that cannot be searched becomes an error among the results: it must not stop the rest.
std::vector<std::string> recordings_of(const std::vector<std::string>& paths,
                                       RecordingPrinter& failures) {
  std::vector<std::string> found;
  for (const std::string& path : paths) {
    try {
      const std::vector<std::string> more = find_recordings({path});
      found.insert(found.end(), more.begin(), more.end());
    } catch (const Error& error) {
      RecordingFindings failed;
      failed.path = path;
      failed.error = error.what();
      failures.add(failed);
    }
  }
  return found;
}

int run_analyze(AnalyzeOptions options) {
  check_output(options.output, false);
  options.settings.chain = chain_of(options.bench);
  options.settings.taken_as = static_cast<TakenAs>(options.taken_as);
  TerminalProgress progress;
  RecordingPrinter printer(options.output, options.has_details, progress);
  const std::vector<std::string> paths = recordings_of(options.paths, printer);
  analyze_all(paths, options.settings, progress,
              [&](const RecordingFindings& recording) { printer.add(recording); });
  progress.clear();
  printer.finish();
  if (is_interrupted()) {
    throw Error(ExitCode::kFailure,
                fmt::format("interrupted after {} recording{}", printer.recordings(),
                            printer.recordings() == 1 ? "" : "s"));
  }
  return printer.errors() > 0 ? static_cast<int>(ExitCode::kInput) : 0;
}

}  // namespace

void add_analyze_command(CLI::App& app, Job& job) {
  CLI::App* command =
      app.add_subcommand("analyze", "Analyse recordings: files, or folders of them");
  const auto options = std::make_shared<AnalyzeOptions>();
  command->add_option("PATH", options->paths, "recordings (WAV, FLAC, AIFF ...) or folders")
      ->type_name("")
      ->required();
  add_choice(
      *command, "--as", options->taken_as, {"found", "tone", "noise"},
      "take steady stretches for what they are found to be (default), for tones, or for noise");
  add_count(*command, "--jobs", options->settings.jobs, {0, 1024, ""},
            "recordings at the same time; 0: one for each core");
  add_numbers(*command, "--threshold", options->settings.thresholds_percent, {0.0001, 10, "%"},
              "THD+N at which the output of stepped levels is found; repeatable");
  command->add_flag("--details", options->has_details, "every steady reading in full");
  add_band_option(*command, options->settings.band);
  add_profile_options(*command, options->bench);
  add_condition_options(*command, options->settings.conditions);
  add_output_options(*command, options->output);
  add_example(*command, "sinewright analyze recordings/ --output table.csv");
  command->callback([&job, options] { job = [options] { return run_analyze(*options); }; });
}

}  // namespace sinewright
