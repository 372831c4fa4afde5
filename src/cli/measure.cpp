// sinewright measure: readings of whatever is there.
#include <fmt/format.h>

#include <iostream>
#include <memory>

#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/console.h"
#include "cli/live_line.h"
#include "cli/options.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"
#include "measure/reading.h"
#include "report/csv.h"
#include "report/json.h"

namespace sinewright {
namespace {

struct MeasureOptions {
  std::optional<double> frequency_hz;
  std::optional<double> level_dbfs;
  ReadingSettings reading;
  bool follows = false;
  bool is_confirmed = false;
  std::optional<double> count;
  Band band;
  BenchOptions bench;
  std::vector<Condition> conditions;
  OutputOptions output;
};

constexpr double kDefaultLevel_dbfs = -20;
constexpr int kUnlimited = 1000;  // columns, where nothing cuts the line

/// Shows readings as they come, in the form asked for.
class ReadingPrinter {
 public:
  explicit ReadingPrinter(const OutputOptions& output)
      : output_(output), table_(std::cout), redraws_(output.is_text() && is_output_terminal()) {
    if (output_.is_csv) table_.begin();
  }

  void show(const Findings& findings) {
    if (output_.is_json) {
      print(
          to_json(findings).dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace) +
          "\n");
    } else if (output_.is_csv) {
      table_.add("", findings);
      flush_output();
    } else if (redraws_) {
      const int columns = output_style().width - 1;  // anew each time: terminals are resized
      print("\r\033[K" + cut_to(live_line(findings, columns), columns));
      is_line_open_ = true;
    } else {
      print(fmt::format("{:8.2f} s  {}\n", findings.started_s, live_line(findings, kUnlimited)));
    }
  }

  void finish() {
    if (is_line_open_) print("\n");
    is_line_open_ = false;
  }

 private:
  const OutputOptions& output_;
  CsvTable table_;
  bool redraws_;
  bool is_line_open_ = false;
};

void start_tone(Session& session, const MeasureOptions& options) {
  if (!options.frequency_hz) return;
  check_below_nyquist("--frequency", *options.frequency_hz, session.sample_rate().hz);
  session.play({*options.frequency_hz}, options.level_dbfs.value_or(kDefaultLevel_dbfs));
}

// Several readings: one line each, files at the end.
int follow(OpenedBench bench, const MeasureOptions& options) {
  ReadingPrinter printer(options.output);
  TerminalProgress progress(false);
  std::vector<Findings> kept;
  int shown = 0;
  const auto finish = [&] {
    printer.finish();
    bench.session.reset();
    if (!kept.empty()) write_files(options.output, kept);
  };
  try {
    start_tone(*bench.session, options);
    run_readings(*bench.session, options.reading, progress, [&](const Findings& findings) {
      printer.show(findings);
      ++shown;
      if (!options.output.files.empty()) kept.push_back(findings);
    });
  } catch (const Stopped&) {
    // While the tone climbed: as any other stop.
  } catch (const Error&) {
    finish();
    throw;
  }
  finish();
  if (shown >= options.reading.count) return 0;  // also where the stop is the only end
  throw Error(ExitCode::kFailure,
              fmt::format("interrupted after {} of {} readings", shown, options.reading.count));
}

int read_once(OpenedBench bench, const MeasureOptions& options) {
  TerminalProgress progress;
  std::vector<Findings> all;
  start_tone(*bench.session, options);
  run_readings(*bench.session, options.reading, progress,
               [&](const Findings& findings) { all.push_back(findings); });
  bench.session.reset();
  progress.clear();
  if (all.empty()) throw Error(ExitCode::kFailure, "interrupted before the first reading");
  publish(options.output, all);
  return 0;
}

int run_measure(MeasureOptions options) {
  check_output(options.output, false);
  if (options.level_dbfs && !options.frequency_hz) {
    throw Error(ExitCode::kUsage, "--level is of the tone played; add --frequency, or drop it");
  }
  options.reading.count = options.count     ? static_cast<int>(*options.count)
                          : options.follows ? 0
                                            : 1;
  const Devices devices = options.frequency_hz ? Devices::kBoth : Devices::kInput;
  OpenedBench bench = open_bench(options.bench, options.band, options.conditions, devices);
  if (options.frequency_hz) {
    refuse_with_limiter(options.conditions);
    warn_of_unknown_watts(*bench.session);
  }
  bench.session->guard_watts(allowed_watts(*bench.session, options.is_confirmed));
  const bool is_one = !options.follows && options.reading.count == 1;
  return is_one ? read_once(std::move(bench), options) : follow(std::move(bench), options);
}

}  // namespace

void add_measure_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(kReadingKind.name, kReadingKind.headline);
  const auto options = std::make_shared<MeasureOptions>();
  add_number(*command, "--frequency", options->frequency_hz, {0.1, 384000, "Hz"},
             "also play this tone; by default nothing is played");
  add_number(*command, "--level", options->level_dbfs, {-120, 0, "dBFS"},
             "of the tone played, -20 by default");
  add_number(*command, "--duration", options->reading.duration_s, {0.1, 60, "s"},
             "of each reading");
  command->add_flag("--confirmed", options->is_confirmed,
                    "the checklist of docs/safety.md was gone through: the tone may give more than "
                    "1 W");
  command->add_flag("--follow", options->follows,
                    "go on until Ctrl-C: one live line on a terminal, a line a reading elsewhere");
  command
      ->add_option_function<std::string>(
          "--count",
          [options](const std::string& text) {
            options->count = parse_count("--count", text, {1, 1e9, ""});
          },
          "stop after so many readings")
      ->type_name("N");
  add_band_option(*command, options->band);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_condition_options(*command, options->conditions);
  add_output_options(*command, options->output);
  add_example(*command,
              "sinewright measure --bench my-bench.toml --frequency 997 --level -30 --follow");
  command->callback([&job, options] { job = [options] { return run_measure(*options); }; });
}

}  // namespace sinewright
