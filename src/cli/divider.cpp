// sinewright divider: designs the divider's ranges and the drive-side pads.
#include "bench/divider.h"

#include <fmt/format.h>

#include <memory>

#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/values.h"
#include "findings/atomic_file.h"
#include "findings/error.h"
#include "report/divider_text.h"
#include "report/file_output.h"
#include "report/numbers.h"
#include "report/wiring_svg.h"

namespace sinewright {
namespace {

constexpr const char* kUnitGroup = "The unit";
constexpr const char* kCardGroup = "Sound card";
constexpr const char* kPartsGroup = "Parts and place";
constexpr const char* kPadGroup = "Pads";

struct DividerOptions {
  DividerRequest request;
  std::optional<double> power_w, rail_v, input_full_scale_vrms, tolerance_percent;
  double phono_full_scale_mv = 50;
  std::size_t series = 0;
  bool is_json = false;
  std::vector<std::string> files;
};

double needed(const std::optional<double>& value, const char* option, const char* what) {
  if (value) return *value;
  throw Error(ExitCode::kUsage, fmt::format("{} is missing: {}", option, what));
}

void check_levels(const DividerRequest& request) {
  if (request.rail_v < terminal_peak_v(request)) {
    throw Error(
        ExitCode::kUsage,
        fmt::format("--rail-volts {}: {} W into {} ohm peaks at {} V{}, which such rails cannot "
                    "give; measure the rails, or lower --power-watts",
                    short_number(request.rail_v), short_number(request.power_w),
                    short_number(request.load_ohm), significant(terminal_peak_v(request), 4),
                    request.is_bridged ? " a terminal" : ""));
  }
  if (request.low_w > request.power_w) {
    throw Error(ExitCode::kUsage,
                fmt::format("--low-watts {}: above --power-watts, {}; lower it",
                            short_number(request.low_w), short_number(request.power_w)));
  }
}

DividerRequest request_of(const DividerOptions& options) {
  DividerRequest request = options.request;
  request.power_w = needed(options.power_w, "--power-watts", "the unit's rated watts a channel");
  request.rail_v = needed(options.rail_v, "--rail-volts",
                          "the larger supply rail of the output stage, measured; a fault puts it "
                          "on the output");
  request.input_full_scale_vrms =
      needed(options.input_full_scale_vrms, "--input-full-scale-volts",
             "the sine, V RMS, that just reads 0 dBFS at the sound card's input");
  request.resistor.series = options.series == 0 ? ESeries::kE24 : ESeries::kE96;
  request.phono_full_scale_vrms = options.phono_full_scale_mv / 1000;
  check_levels(request);
  return request;
}

std::string in_format(const DividerDesign& design, const std::string& file) {
  switch (format_of(file)) {
    case ReportFormat::kSvg:
      return wiring_svg(design);
    case ReportFormat::kJson:
      return divider_json(design);
    case ReportFormat::kText:
      return divider_text(design, TextStyle{});
    case ReportFormat::kCsv:
      break;
  }
  throw Error(ExitCode::kUsage,
              fmt::format("--output {}: a divider is no table; use .svg, .txt or .json", file));
}

int run_divider_command(const DividerOptions& options) {
  const DividerDesign design = design_divider(request_of(options));
  std::vector<std::string> texts;  // all made before one is written
  for (const std::string& file : options.files) texts.push_back(in_format(design, file));
  for (std::size_t i = 0; i < texts.size(); ++i) write_atomically(options.files[i], texts[i]);
  print(options.is_json ? divider_json(design) : divider_text(design, output_style()));
  return 0;
}

void add_unit_options(CLI::App& app, DividerOptions& options) {
  DividerRequest& request = options.request;
  add_number(app, "--power-watts", options.power_w, {0.1, 5000, "W"},
             "rated power, each channel into the load")
      ->group(kUnitGroup);
  add_number(app, "--rail-volts", options.rail_v, {1, 500, "V"},
             "larger supply rail of the output stage; of a valve amplifier with output transformer "
             "the peak volts at the output")
      ->group(kUnitGroup);
  add_number(app, "--load-ohm", request.load_ohm, {1, 1000, "ohm"}, "dummy load")
      ->group(kUnitGroup);
  app.add_flag("--bridged", request.is_bridged,
               "both terminals are live: two dividers, one for each terminal")
      ->group(kUnitGroup);
  add_number(app, "--low-watts", request.low_w, {1e-3, 100, "W"}, "what the low range must take")
      ->group(kUnitGroup);
}

void add_card_options(CLI::App& app, DividerOptions& options) {
  DividerRequest& request = options.request;
  add_number(app, "--input-full-scale-volts", options.input_full_scale_vrms, {0.05, 20, "V"},
             "sine at the input that reads 0 dBFS, RMS")
      ->group(kCardGroup);
  add_number(app, "--input-ohm", request.input_ohm, {500, 1e7, "ohm"}, "input resistance")
      ->group(kCardGroup);
  add_number(app, "--card-noise", request.card_noise_dbfs, {-160, -40, "dBFS"},
             "the input's own noise, 20 Hz - 20 kHz")
      ->group(kCardGroup);
  add_number(app, "--margin-db", request.margin_db, {0, 20, "dB"}, "from full power to full scale")
      ->group(kCardGroup);
}

void add_part_options(CLI::App& app, DividerOptions& options) {
  DividerRequest& request = options.request;
  add_choice(app, "--series", options.series, {"e24", "e96"}, "values at hand (default e24)")
      ->group(kPartsGroup);
  add_number(app, "--tolerance-percent", request.resistor.tolerance_percent, {0, 20, "%"},
             "of the resistors")
      ->group(kPartsGroup);
  add_number(app, "--resistor-watts", request.resistor.rated_w, {0.05, 20, "W"},
             "rating of one resistor at 70 °C; half is used")
      ->group(kPartsGroup);
  add_number(app, "--resistor-volts", request.resistor.rated_v, {50, 5000, "V"},
             "rating of one resistor; half is used")
      ->group(kPartsGroup);
  add_number(app, "--ambient-c", request.ambient_c, {0, 120, "°C"}, "around the resistors")
      ->type_name("CELSIUS")
      ->group(kPartsGroup);
  add_number(app, "--cable-pf", request.cable_pf, {1, 20000, "pF"}, "cable and input together")
      ->group(kPartsGroup);
  add_number(app, "--high-source-ohm", request.high_source_ohm, {50, 10000, "ohm"},
             "highest source resistance of range high")
      ->group(kPartsGroup);
  add_number(app, "--low-source-ohm", request.low_source_ohm, {50, 10000, "ohm"},
             "highest source resistance of range low")
      ->group(kPartsGroup);
}

void add_pad_options(CLI::App& app, DividerOptions& options) {
  DividerRequest& request = options.request;
  add_number(app, "--output-full-scale-volts", request.output_full_scale_vrms, {0.1, 20, "V"},
             "of the sound card's output for 0 dBFS, RMS, unloaded")
      ->group(kPadGroup);
  add_number(app, "--output-ohm", request.output_ohm, {0, 1000, "ohm"}, "resistance of that output")
      ->group(kPadGroup);
  add_number(app, "--line-pad-db", request.line_pad_db, {10, 40, "dB"}, "loss of the line pad")
      ->group(kPadGroup);
  add_number(app, "--phono-full-scale-millivolts", options.phono_full_scale_mv, {2, 500, "mV"},
             "full scale behind the phono pad, RMS")
      ->group(kPadGroup);
  add_number(app, "--pad-load-ohm", request.pad_load_ohm, {1000, 1e6, "ohm"}, "the unit's input")
      ->group(kPadGroup);
}

}  // namespace

void add_divider_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand(
      "divider", "Designs divider ranges and pads from preferred values, and draws the wiring");
  const auto options = std::make_shared<DividerOptions>();
  add_unit_options(*command, *options);
  add_card_options(*command, *options);
  add_part_options(*command, *options);
  add_pad_options(*command, *options);
  command->add_flag("--json", options->is_json, "print JSON and nothing else")->group("Results");
  command
      ->add_option("--output", options->files,
                   "also write FILE: .svg (the drawing), .txt or .json; repeatable")
      ->type_name("FILE")
      ->allow_extra_args(false)
      ->group("Results");
  add_example(*command,
              "sinewright divider --power-watts 62 --rail-volts 42 --input-full-scale-volts 2 "
              "--output wiring.svg");
  command->callback([&job, options] { job = [options] { return run_divider_command(*options); }; });
}

}  // namespace sinewright
