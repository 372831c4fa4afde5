// sinewright calibrate input, output, load, loopback.
#include <fmt/format.h>

#include <algorithm>
#include <memory>

#include "bench/budget.h"
#include "cli/calibrate.h"
#include "cli/console.h"
#include "cli/terminal_progress.h"
#include "cli/values.h"
#include "findings/error.h"
#include "measure/calibrate.h"

namespace sinewright {
namespace {

struct StepOptions {
  BenchOptions bench;
  MeterOptions meter;
  AnswerOptions answers;
  InputCalibrationSettings input;
  std::size_t at = 0;  ///< index of the word
  LoadCalibrationSettings load;
  bool is_hot = false;
  std::optional<double> load_w, load_s, load_continuous_w;
  LoopbackSettings loopback;
  bool has_no_terminated = false;
  bool has_no_divider = false;
  Band band;
};

constexpr const char* kVoltResolution = "--meter-resolution";
constexpr const char* kOhmResolution = "--meter-resolution-ohm";
constexpr std::array<const char*, 2> kSides = {"left", "right"};

void add_tone_options(CLI::App& app, CalibrationTone& tone) {
  add_number(app, "--drive", tone.drive_dbfs, {-40, 0, "dBFS"}, "level of the tone");
  add_number(
      app, "--frequency", tone.frequency_hz, {40, 1000, "Hz"},
      "of the tone: few hundred hertz, where cheap meters are good, off the mains harmonics");
}

void add_reading_options(CLI::App& app, AnswerOptions& answers) {
  add_number(app, "--meter-left", answers.left, {0, 1e5, "V"},
             "what the meter reads at left; asked otherwise");
  add_number(app, "--meter-right", answers.right, {0, 1e5, "V"}, "at right");
  add_confirmed_option(app, answers);
}

void print_scales(const ScaleCalibrations& found, const std::string& what, double nominal_vrms) {
  std::string text;
  for (std::size_t c = 0; c < 2; ++c) {
    if (!found.channels[c]) {
      text += fmt::format("{} {}: not read, so not calibrated\n", what, kSides[c]);
      continue;
    }
    const ScaleCalibration& one = *found.channels[c];
    text += fmt::format(
        "{} {}: 0 dBFS is {:.5g} V (nominal {:.4g} V): the meter read {:.5g} V +- {:.2g} %\n", what,
        kSides[c], one.full_scale_vrms, nominal_vrms, one.meter_v,
        100 * found.meter.half_width(one.meter_v) / one.meter_v);
  }
  print(text);
}

/// What is written: the other channel of the same day and meter stays, and any other is named.
ScaleCalibrations kept(const std::optional<ScaleCalibrations>& before, ScaleCalibrations found,
                       const std::string& what) {
  MergedCalibrations both = merged(before, std::move(found));
  if (both.lost_channel) {
    const char* side = kSides[*both.lost_channel];
    print_error(
        fmt::format("warning: {} {} loses its calibration of {}: day, meter, sound card, "
                    "rate or tone differ from this one's; read both channels in one go\n",
                    what, side, before->date));
  }
  return std::move(both.calibrations);
}

int run_input(const StepOptions& asked) {
  StepOptions options = asked;
  require_bench(options.bench, "input");
  options.input.meter = meter_of(options.meter, options.bench, kVoltResolution, "V");
  options.input.at = options.at == 0 ? CalibratedAt::kDividerTop : CalibratedAt::kTerminals;
  OpenedBench bench = open_bench(options.bench, {}, {}, Devices::kBoth);
  const auto person = answering(bench, options.answers);
  TerminalProgress progress;
  const Chain chain = *bench.session->chain();
  ScaleCalibrations found = calibrate_input(*bench.session, options.input, *person, progress);
  bench.session.reset();
  progress.clear();
  Profile profile = chain.profile();
  for (Range& range : profile.ranges) {
    if (range.name != chain.range().name) continue;
    found = kept(range.calibration, std::move(found), "input, range " + range.name + ",");
    range.calibration = found;
  }
  save_profile(options.bench.profile_path, profile);
  print_scales(found, "input, range " + chain.range().name + ",",
               profile.input_full_scale_vrms * chain.range().ratio);
  return 0;
}

int run_output(const StepOptions& options) {
  require_bench(options.bench, "output");
  const MeterAccuracy meter = meter_of(options.meter, options.bench, kVoltResolution, "V");
  OpenedBench bench = open_bench(options.bench, {}, {}, Devices::kBoth);
  const auto person = answering(bench, options.answers);
  TerminalProgress progress;
  Profile profile = bench.session->chain()->profile();
  ScaleCalibrations found =
      calibrate_output(*bench.session, options.input.tone, meter, *person, progress);
  bench.session.reset();
  progress.clear();
  profile.output_calibration = kept(profile.output_calibration, std::move(found), "output");
  save_profile(options.bench.profile_path, profile);
  print_scales(*profile.output_calibration, "output", profile.output_full_scale_vrms);
  return 0;
}

void set_rating(Load& load, const StepOptions& options) {
  if (options.load_s.has_value() != options.load_continuous_w.has_value()) {
    throw Error(ExitCode::kUsage, "--load-seconds and --load-continuous-watts go together");
  }
  if (options.load_w) load.rated_w = *options.load_w;
  if (options.load_s) load.rated_s = options.load_s;
  if (options.load_continuous_w) load.continuous_w = options.load_continuous_w;
  if (load.continuous_w && *load.continuous_w >= load.rated_w) {
    throw Error(ExitCode::kUsage,
                fmt::format("--load-continuous-watts {:g}: must be less than the {:g} W that the "
                            "load bears briefly (--load-watts)",
                            *load.continuous_w, load.rated_w));
  }
}

int run_load(const StepOptions& asked) {
  StepOptions options = asked;
  require_bench(options.bench, "load");
  options.load.meter = meter_of(options.meter, options.bench, kOhmResolution, "ohm");
  if (options.is_hot) options.load.temperature_rise_k = 0;
  Profile profile = read_profile(options.bench.profile_path);
  set_rating(profile.load, options);
  if (profile.power_limit_w > profile.load.rated_w) {
    throw Error(
        ExitCode::kUsage,
        fmt::format("--load-watts {:g}: below the profile's power limit of {:g} W; lower "
                    "that in {} first",
                    profile.load.rated_w, profile.power_limit_w, options.bench.profile_path));
  }
  // Only a simulated load needs the stream: a real one is read by the meter alone.
  OpenedBench bench;
  if (!options.bench.scenario_path.empty()) {
    bench = open_bench(options.bench, {}, {}, Devices::kBoth);
  }
  const auto person = answering(bench, options.answers);
  profile.load.calibration = calibrate_load(options.load, profile.load.resistance_ohm, *person);
  bench.session.reset();
  if (is_interrupted()) {
    throw Error(ExitCode::kFailure, "calibrate load: interrupted; nothing was written");
  }
  save_profile(options.bench.profile_path, profile);
  const LoadCalibration& load = *profile.load.calibration;
  for (std::size_t c = 0; c < 2; ++c) {
    print(fmt::format("load {}: {:.4g} ohm (nominal {:.4g} ohm), leads of {:.2g} ohm subtracted\n",
                      kSides[c], load.resistance_ohm[c], profile.load.resistance_ohm,
                      load.lead_ohm));
  }
  return 0;
}

void print_loopback(const Loopback& loopback) {
  double worst_dbc = -200;
  for (const LoopbackTone& tone : loopback.tones) {
    if (tone.drive_dbfs > -3) continue;
    for (const LoopbackTone::Channel& channel : tone.channels) {
      for (const ResidualHarmonic& harmonic : channel.harmonics) {
        worst_dbc = std::max(worst_dbc, harmonic.level_dbc);
      }
    }
  }
  print(fmt::format(
      "loopback: {} tones; noise {:.1f} and {:.1f} dBFS; worst harmonic below -3 "
      "dBFS {}; input alone {}; output alone {}\n",
      loopback.tones.size(), loopback.silent_noise_dbfs[0], loopback.silent_noise_dbfs[1],
      worst_dbc > -200 ? fmt::format("{:.1f} dBc", worst_dbc) : "none found",
      loopback.input_noise_dbfs
          ? fmt::format("{:.1f} and {:.1f} dBFS", (*loopback.input_noise_dbfs)[0],
                        (*loopback.input_noise_dbfs)[1])
          : "not measured",
      loopback.output_tones.empty() ? "not measured"
                                    : fmt::format("{} tones", loopback.output_tones.size())));
}

int run_loopback(const StepOptions& asked) {
  StepOptions options = asked;
  require_bench(options.bench, "loopback");
  options.loopback.reads_terminated = !options.has_no_terminated;
  OpenedBench bench = open_bench(options.bench, options.band, {}, Devices::kBoth);
  options.loopback.reads_through_divider = !options.has_no_divider && has_far_range(*bench.session);
  const auto person = answering(bench, options.answers);
  print_error(fmt::format("This will take {:.0f} s.\n",
                          loopback_duration_s(options.loopback, bench.session->sample_rate())));
  TerminalProgress progress;
  Profile profile = bench.session->chain()->profile();
  profile.loopback = calibrate_loopback(*bench.session, options.loopback, *person, progress);
  bench.session.reset();
  progress.clear();
  save_profile(options.bench.profile_path, profile);
  print_loopback(*profile.loopback);
  return 0;
}

using Run = int (*)(const StepOptions&);

void set_job(CLI::App& command, Job& job, const std::shared_ptr<StepOptions>& options, Run run) {
  command.callback([&job, options, run] { job = [options, run] { return run(*options); }; });
}

}  // namespace

void add_calibrate_input_command(CLI::App& calibrate, Job& job) {
  CLI::App* command = calibrate.add_subcommand(
      "input", "Divider range and sound card together: one tone, one meter reading a channel");
  const auto options = std::make_shared<StepOptions>();
  add_meter_options(*command, options->meter, kVoltResolution, "V");
  add_reading_options(*command, options->answers);
  add_choice(*command, "--at", options->at, {"divider", "terminals"},
             "where the tone enters: the divider's top, without a unit (default), or a unit's "
             "terminals, up to 1 W");
  add_number(*command, "--watts", options->input.terminal_w, {0.001, 1, "W"},
             "into the load, with --at terminals");
  add_tone_options(*command, options->input.tone);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_example(*command,
              "sinewright calibrate input --bench my-bench.toml --range high --meter-percent 0.8 "
              "--meter-digits 3 --meter-resolution 0.001");
  set_job(*command, job, options, run_input);
}

void add_calibrate_output_command(CLI::App& calibrate, Job& job) {
  CLI::App* command =
      calibrate.add_subcommand("output", "Volts that the sound card's output gives at 0 dBFS");
  const auto options = std::make_shared<StepOptions>();
  add_meter_options(*command, options->meter, kVoltResolution, "V");
  add_reading_options(*command, options->answers);
  add_tone_options(*command, options->input.tone);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_example(*command, "sinewright calibrate output --bench my-bench.toml");
  set_job(*command, job, options, run_output);
}

void add_calibrate_load_command(CLI::App& calibrate, Job& job) {
  CLI::App* command =
      calibrate.add_subcommand("load", "The dummy load in ohms, the meter's leads subtracted");
  const auto options = std::make_shared<StepOptions>();
  add_meter_options(*command, options->meter, kOhmResolution, "ohm");
  add_number(*command, "--leads", options->answers.leads, {0, 100, "ohm"},
             "what the meter reads with its tips joined");
  add_number(*command, "--left", options->answers.left, {0, 1e6, "ohm"},
             "what it reads across the left load");
  add_number(*command, "--right", options->answers.right, {0, 1e6, "ohm"}, "across the right one");
  add_confirmed_option(*command, options->answers);
  add_number(*command, "--temperature-ppm", options->load.temperature_ppm_per_k, {0, 10000, "ppm"},
             "change of its resistance a kelvin");
  add_number(*command, "--temperature-rise", options->load.temperature_rise_k, {0, 500, "K"},
             "how much hotter it gets in use than it was measured");
  command->add_flag("--hot", options->is_hot, "it was measured as hot as in use");
  add_number(*command, "--load-watts", options->load_w, {1e-3, 1e5, "W"}, "also set its rating");
  add_number(*command, "--load-seconds", options->load_s, {0.1, 36000, "s"}, "for so long");
  add_number(*command, "--load-continuous-watts", options->load_continuous_w, {1e-3, 1e5, "W"},
             "what it bears for ever; with --load-seconds");
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_example(
      *command,
      "sinewright calibrate load --bench my-bench.toml --meter-percent 0.5 --meter-digits 2 "
      "--meter-resolution-ohm 0.01 --leads 0.14 --left 8.19 --right 8.17 --confirmed");
  set_job(*command, job, options, run_load);
}

void add_calibrate_loopback_command(CLI::App& calibrate, Job& job) {
  CLI::App* command = calibrate.add_subcommand(
      "loopback", "The sound card by itself: response, distortion and noise, in a minute or two");
  const auto options = std::make_shared<StepOptions>();
  add_confirmed_option(*command, options->answers);
  command->add_flag("--no-terminated", options->has_no_terminated,
                    "leave out the noise of the input alone");
  command->add_flag("--no-divider", options->has_no_divider,
                    "leave out the distortion of the output alone, through the divider");
  add_band_option(*command, options->band);
  add_bench_options(*command, options->bench, Devices::kBoth);
  add_example(*command, "sinewright calibrate loopback --bench my-bench.toml");
  set_job(*command, job, options, run_loopback);
}

}  // namespace sinewright
