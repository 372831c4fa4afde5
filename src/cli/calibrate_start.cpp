// sinewright calibrate start: a first bench profile, from what is printed on the parts.
#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <memory>

#include "cli/calibrate.h"
#include "cli/console.h"
#include "cli/values.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct StartOptions {
  std::string path;
  Profile profile;
  std::vector<std::string> ranges;
  std::optional<double> input_full_scale_vrms, output_full_scale_vrms;
  std::optional<double> load_ohm, load_w, load_s, load_continuous_w, limit_w;
};

template <class T>
T required(const std::optional<T>& value, const char* option) {
  if (value) return *value;
  throw Error(ExitCode::kUsage, fmt::format("calibrate start: {} is missing", option));
}

Range parse_range(const std::string& text) {
  const auto at = text.find('=');
  if (at == std::string::npos || at == 0) {
    throw Error(ExitCode::kUsage,
                fmt::format("--range {}: write NAME=RATIO, such as high=34.2", text));
  }
  Range range;
  range.name = text.substr(0, at);
  range.ratio = parse_number("--range " + range.name, text.substr(at + 1), {1e-3, 1e6, ""});
  return range;
}

void check_load(const Load& load, double limit_w) {
  if (load.rated_s.has_value() != load.continuous_w.has_value()) {
    throw Error(ExitCode::kUsage,
                "--load-seconds and --load-continuous-watts go together: what the load bears for "
                "so long, and what for ever");
  }
  if (load.continuous_w && *load.continuous_w >= load.rated_w) {
    throw Error(ExitCode::kUsage,
                fmt::format("--load-continuous-watts {:g}: must be less than --load-watts, {:g}; "
                            "where both are one, give --load-watts alone",
                            *load.continuous_w, load.rated_w));
  }
  if (limit_w > load.rated_w) {
    throw Error(
        ExitCode::kUsage,
        fmt::format("--limit-watts {:g}: above the {:g} W that the load bears; lower it, or "
                    "use a larger load",
                    limit_w, load.rated_w));
  }
}

int run_start(StartOptions options) {
  if (options.path.empty()) {
    throw Error(ExitCode::kUsage, "calibrate start: name the file to write with --bench");
  }
  if (std::filesystem::exists(options.path)) {
    throw Error(ExitCode::kRefused,
                fmt::format("{}: exists already, and is not overwritten; give another name, or "
                            "calibrate it further",
                            options.path));
  }
  Profile& profile = options.profile;
  if (profile.name.empty()) {
    profile.name = std::filesystem::path(options.path).stem().string();
  }
  if (options.ranges.empty()) {
    throw Error(ExitCode::kUsage, "calibrate start: --range NAME=RATIO is missing; repeatable");
  }
  for (const std::string& text : options.ranges) {
    const Range range = parse_range(text);
    for (const Range& other : profile.ranges) {
      if (other.name != range.name) continue;
      throw Error(ExitCode::kUsage,
                  fmt::format("--range {}: given twice; give each its own name", range.name));
    }
    profile.ranges.push_back(range);
  }
  // The file keeps them by falling ratio, in whatever order they are typed.
  std::stable_sort(profile.ranges.begin(), profile.ranges.end(),
                   [](const Range& a, const Range& b) { return a.ratio > b.ratio; });
  profile.input_full_scale_vrms =
      required(options.input_full_scale_vrms, "--input-full-scale-volts");
  profile.output_full_scale_vrms =
      required(options.output_full_scale_vrms, "--output-full-scale-volts");
  profile.load.resistance_ohm = required(options.load_ohm, "--load-ohm");
  profile.load.rated_w = required(options.load_w, "--load-watts");
  profile.load.rated_s = options.load_s;
  profile.load.continuous_w = options.load_continuous_w;
  profile.power_limit_w = required(options.limit_w, "--limit-watts");
  check_load(profile.load, profile.power_limit_w);
  save_profile(options.path, profile);
  print(
      "All of it is nominal so far: results carry no uncertainty. Next: sinewright calibrate "
      "output, input (each range), load, loopback.\n");
  return 0;
}

}  // namespace

void add_calibrate_start_command(CLI::App& calibrate, Job& job) {
  CLI::App* command = calibrate.add_subcommand(
      "start", "Write a first, nominal profile from what is printed on the parts");
  const auto options = std::make_shared<StartOptions>();
  Profile& profile = options->profile;
  command->add_option("--bench", options->path, "file to write; never overwritten")
      ->type_name("PROFILE.toml");
  command->add_option("--name", profile.name, "of the bench; that of the file by default")
      ->type_name("TEXT");
  command
      ->add_option("--input", profile.input_device,
                   "sound device to record from: name or part of it")
      ->type_name("DEVICE");
  command->add_option("--output-device", profile.output_device, "sound device to play on")
      ->type_name("DEVICE");
  add_number(*command, "--rate", profile.sample_rate_hz, {8000, 768000, "Hz"}, "sample rate");
  add_number(*command, "--input-full-scale-volts", options->input_full_scale_vrms,
             {1e-3, 1000, "V"},
             "RMS of the sine that reads 0 dBFS; from the sound card's data sheet");
  add_number(*command, "--output-full-scale-volts", options->output_full_scale_vrms,
             {1e-3, 1000, "V"}, "RMS of the sine that it plays at 0 dBFS; likewise");
  command
      ->add_option("--range", options->ranges,
                   "position of the divider: volts at the terminals per volt at the input; "
                   "repeatable")
      ->type_name("NAME=RATIO")
      ->allow_extra_args(false);
  add_number(*command, "--load-ohm", options->load_ohm, {0.1, 1e6, "ohm"},
             "as printed on the load");
  add_number(*command, "--load-watts", options->load_w, {1e-3, 1e5, "W"},
             "what it bears, each channel, on its heatsink");
  add_number(*command, "--load-seconds", options->load_s, {0.1, 36000, "s"},
             "for so long; for ever by default");
  add_number(*command, "--load-continuous-watts", options->load_continuous_w, {1e-3, 1e5, "W"},
             "what it bears for ever; with --load-seconds");
  add_number(*command, "--limit-watts", options->limit_w, {1e-3, 1e5, "W"},
             "no run ever drives the unit above this, each channel");
  add_example(*command,
              "sinewright calibrate start --bench my-bench.toml --range high=34.2 --range low=3.04 "
              "--input-full-scale-volts 2 --output-full-scale-volts 1.7 --load-ohm 8 --load-watts "
              "100 --limit-watts 80");
  command->callback([&job, options] { job = [options] { return run_start(*options); }; });
}

}  // namespace sinewright
