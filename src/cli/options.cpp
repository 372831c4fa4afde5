#include "cli/options.h"

#include <fmt/format.h>

#include <algorithm>

#include "cli/console.h"
#include "cli/values.h"
#include "findings/error.h"
#include "measure/measurement.h"
#include "report/csv.h"
#include "report/file_output.h"
#include "report/json.h"
#include "report/terminal.h"

namespace sinewright {
namespace {

constexpr const char* kBenchGroup = "Bench";
constexpr const char* kConditionGroup = "Test conditions, kept with the results";
constexpr const char* kOutputGroup = "Results";

void add_text_condition(CLI::App& app, std::vector<Condition>& conditions, const std::string& name,
                        const std::string& key, const std::string& help) {
  app.add_option_function<std::string>(
         name,
         [&conditions, key](const std::string& text) {
           conditions.push_back({key, text});
         },
         help)
      ->group(kConditionGroup);
}

void add_number_condition(CLI::App& app, std::vector<Condition>& conditions,
                          const std::string& name, const std::string& key, const Bounds& bounds,
                          const std::string& type, const std::string& help) {
  app.add_option_function<std::string>(
         name,
         [&conditions, name, key, bounds](const std::string& text) {
           conditions.push_back({key, parse_number(name, text, bounds)});
         },
         help)
      ->type_name(type)
      ->group(kConditionGroup);
}

void add_limiter_condition(CLI::App& app, std::vector<Condition>& conditions) {
  app.add_option_function<std::string>(
         "--limiter",
         [&conditions](const std::string& text) {
           if (text != "in" && text != "out") {
             throw Error(ExitCode::kUsage,
                         fmt::format("--limiter {}: unknown; give in or out", text));
           }
           conditions.push_back({"limiter", text});
         },
         "bulb limiter or variac in the mains lead")
      ->type_name("in|out")
      ->group(kConditionGroup);
}

}  // namespace

void add_profile_options(CLI::App& app, BenchOptions& options) {
  app.add_option("--bench", options.profile_path, "bench profile; without one results are in dBFS")
      ->type_name("PROFILE.toml")
      ->group(kBenchGroup);
  app.add_option("--range", options.range,
                 "divider range in use, by its name in the profile; the first by default")
      ->type_name("NAME")
      ->group(kBenchGroup);
}

CLI::Option* add_parts_option(CLI::App& app, std::optional<int>& parts) {
  return app
      .add_option_function<std::string>(
          "--simulated-parts",
          [&parts](const std::string& text) {
            parts = parse_count("--simulated-parts", text, {1, 999999, ""});
          },
          "give it parts within their tolerances instead of as marked, drawn by this number, "
          "and a meter")
      ->type_name("NUMBER");
}

void add_bench_options(CLI::App& app, BenchOptions& options, Devices devices) {
  add_profile_options(app, options);
  if (devices != Devices::kOutput) {
    app.add_option("--input", options.input_device,
                   "sound device to record from: index, name or part of it")
        ->type_name("DEVICE")
        ->group(kBenchGroup);
  }
  if (devices != Devices::kInput) {
    app.add_option("--output-device", options.output_device, "sound device to play on")
        ->type_name("DEVICE")
        ->group(kBenchGroup);
  }
  add_number(app, "--rate", options.rate_hz, {8000, 768000, "Hz"},
             "sample rate; by default that of the profile, or 48000")
      ->group(kBenchGroup);
  app.add_option("--simulate", options.scenario_path,
                 "use the simulated bench instead of a sound card")
      ->type_name("SCENARIO.toml")
      ->group(kBenchGroup);
  add_number(app, "--simulated-volume", options.simulated_volume_db, {-120, 0, "dB"},
             "where its volume control stands; 0 is fully up")
      ->group(kBenchGroup);
  add_parts_option(app, options.simulated_parts)->group(kBenchGroup);
  app.add_flag("--real-time", options.is_real_time, "let it take the time that a sound card takes")
      ->group(kBenchGroup);
}

void add_condition_options(CLI::App& app, std::vector<Condition>& conditions) {
  add_text_condition(app, conditions, "--point", "point",
                     "where taken: speakers A, record out ...");
  add_text_condition(app, conditions, "--source", "source", "input selected on the unit");
  add_text_condition(app, conditions, "--termination", "termination", "what that input sees");
  add_text_condition(app, conditions, "--volume-position", "volume_position", "volume control");
  add_text_condition(app, conditions, "--tone-controls", "tone_controls", "bass, treble, loudness");
  add_text_condition(app, conditions, "--switches", "switches", "mono, filters, tape monitor ...");
  add_number_condition(app, conditions, "--mains-volts", "mains_vrms", {1, 500, "V"}, "V",
                       "mains voltage, measured");
  add_number_condition(app, conditions, "--minutes-on", "switched_on_minutes", {0, 100000, "min"},
                       "MIN", "since the unit was switched on");
  add_limiter_condition(app, conditions);
  add_number_condition(app, conditions, "--ambient-c", "ambient_c", {-40, 80, "°C"}, "CELSIUS",
                       "temperature around the unit");
  add_text_condition(app, conditions, "--note", "note", "anything else worth keeping");
}

void refuse_with_limiter(const std::vector<Condition>& conditions) {
  for (const Condition& condition : conditions) {
    if (condition.key != "limiter") continue;
    if (std::get<std::string>(condition.value) != "in") continue;
    throw Error(ExitCode::kRefused,
                "--limiter in: a limiter drops the voltage, with it in only offset and hum mean "
                "anything; take it out first");
  }
}

void add_band_option(CLI::App& app, Band& band) {
  app.add_option_function<std::string>(
         "--band", [&band](const std::string& text) { band = parse_band(text); },
         "band that counts: LOW-HIGH in Hz, 22k, 80k or none (default 20-20000)")
      ->type_name("BAND");
}

void add_output_options(CLI::App& app, OutputOptions& options) {
  app.add_flag("--json", options.is_json, "print JSON and nothing else")->group(kOutputGroup);
  app.add_flag("--csv", options.is_csv, "print CSV and nothing else")->group(kOutputGroup);
  app.add_option("--output", options.files,
                 "also write FILE: .json, .csv, .svg or .txt; repeatable")
      ->type_name("FILE")
      ->allow_extra_args(false)
      ->group(kOutputGroup);
}

void check_output(const OutputOptions& options, bool has_curves) {
  if (options.is_json && options.is_csv) {
    throw Error(ExitCode::kUsage,
                "--json and --csv exclude each other; print one and write the "
                "other with --output");
  }
  for (const std::string& file : options.files) {
    if (format_of(file) == ReportFormat::kSvg && !has_curves) {
      throw Error(ExitCode::kUsage,
                  fmt::format("--output {}: these results have no curve to draw; use .json, .csv "
                              "or .txt",
                              file));
    }
  }
}

void write_files(const OutputOptions& options, std::span<const Findings> findings) {
  for (const std::string& file : options.files) write_report(file, findings);
}

int publish_run(const OutputOptions& options, std::span<const Findings> findings) {
  if (!findings.empty()) publish(options, findings);
  const Caution* protective = nullptr;
  for (const Findings& run : findings) {
    for (const Caution& caution : run.cautions) {
      if (caution.code == kDeviceFailed) throw Error(ExitCode::kDevice, caution.text);
      if (std::find(kProtected.begin(), kProtected.end(), caution.code) != kProtected.end()) {
        protective = &caution;
      }
    }
  }
  if (protective != nullptr) {
    throw Error(ExitCode::kRefused, "ended early, finished points are kept: " + protective->text);
  }
  if (is_interrupted()) {
    throw Error(ExitCode::kFailure, findings.empty() ? "interrupted before the first point"
                                                     : "interrupted; finished points are kept");
  }
  return 0;
}

void publish(const OutputOptions& options, std::span<const Findings> findings) {
  // Files first: they must not be lost when the reader of stdout has gone.
  write_files(options, findings);
  if (options.is_json) return print(json_document(findings));
  if (options.is_csv) return print(csv_document(findings));
  const TextStyle style = output_style();
  std::string text;
  for (const Findings& one : findings) {
    if (!text.empty()) text += "\n";
    text += render_findings(one, style);
  }
  print(text);
}

void add_example(CLI::App& app, const std::string& text) { app.footer("Example:\n  " + text); }

}  // namespace sinewright
