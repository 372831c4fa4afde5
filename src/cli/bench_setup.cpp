#include "cli/bench_setup.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "cli/console.h"
#include "cli/operators.h"
#include "device/port_audio.h"
#include "device/scenario.h"
#include "device/simulated_bench.h"
#include "findings/error.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

constexpr double kDefaultRate_hz = 48000;

void check_simulation_options(const BenchOptions& options) {
  if (!options.scenario_path.empty()) {
    if (!options.input_device && !options.output_device) return;
    throw Error(ExitCode::kUsage,
                "--simulate takes the place of --input and --output-device; "
                "drop one or the other");
  }
  if (options.simulated_volume_db || options.simulated_parts || options.is_real_time) {
    throw Error(ExitCode::kUsage,
                "--simulated-volume, --simulated-parts and --real-time are for the simulated "
                "bench; add --simulate SCENARIO.toml, or drop them");
  }
}

std::string device_of(const std::optional<std::string>& asked, const std::string& in_profile) {
  return asked ? *asked : in_profile;
}

OpenedStream open_simulated(const BenchOptions& options, const std::optional<Chain>& chain) {
  Scenario scenario = read_scenario(options.scenario_path);
  if (options.simulated_parts) {
    scenario.parts =
        random_parts(static_cast<std::uint64_t>(*options.simulated_parts), scenario.ranges.size());
  }
  auto bench = std::make_unique<SimulatedBench>(scenario, SampleRate{rate_of(options, chain)},
                                                SimulatedBenchOptions{options.is_real_time});
  const std::string range = chain ? chain->range().name : options.range;
  if (!range.empty()) bench->set_range(range);
  if (options.simulated_volume_db) bench->set_volume_db(*options.simulated_volume_db);
  SimulatedBench* const simulated = bench.get();
  return {std::move(bench), simulated, scenario.name};
}

void check_band(const Band& band, double sample_rate_hz) {
  if (std::isinf(band.high_hz) || band.high_hz < sample_rate_hz / 2) return;
  throw Error(ExitCode::kUsage,
              fmt::format("--band up to {} Hz: not below {} Hz, half the rate; lower it, or use a "
                          "higher --rate",
                          short_number(band.high_hz), short_number(sample_rate_hz / 2)));
}

}  // namespace

void warn_of_shared_output(const Stream& stream) {
  if (stream.output_channels() == 0 || !stream.shares_output()) return;
  print_error("sinewright: " + stream.name() +
              ": other programs can play here too: silence notifications, or choose a hardware "
              "device (sinewright devices)\n");
}

std::optional<Chain> chain_of(const BenchOptions& options) {
  if (!options.profile_path.empty()) {
    return Chain(read_profile(options.profile_path), options.range);
  }
  if (!options.range.empty() && options.scenario_path.empty()) {
    throw Error(ExitCode::kUsage,
                fmt::format("--range {}: ranges stand in a bench profile; name it with --bench",
                            options.range));
  }
  return std::nullopt;
}

double rate_of(const BenchOptions& options, const std::optional<Chain>& chain) {
  if (!chain) return options.rate_hz.value_or(kDefaultRate_hz);
  const double in_profile_hz = chain->profile().sample_rate_hz;
  if (options.rate_hz && *options.rate_hz != in_profile_hz) {
    throw Error(ExitCode::kUsage,
                fmt::format("--rate {}: {} is for {} Hz; drop --rate, or use a profile for {} Hz",
                            short_number(*options.rate_hz), options.profile_path,
                            short_number(in_profile_hz), short_number(*options.rate_hz)));
  }
  return in_profile_hz;
}

OpenedStream open_stream_of(const BenchOptions& options, const std::optional<Chain>& chain,
                            Devices devices) {
  check_simulation_options(options);
  if (!options.scenario_path.empty()) return open_simulated(options, chain);
  StreamRequest request;
  request.sample_rate_hz = rate_of(options, chain);
  if (devices != Devices::kOutput) {
    request.input =
        device_of(options.input_device, chain ? chain->profile().input_device : std::string());
  }
  if (devices != Devices::kInput) {
    request.output =
        device_of(options.output_device, chain ? chain->profile().output_device : std::string());
  }
  return {open_stream(request), nullptr, {}};
}

OpenedBench open_bench(const BenchOptions& options, const Band& band,
                       const std::vector<Condition>& conditions, Devices devices) {
  const std::optional<Chain> chain = chain_of(options);
  check_band(band, rate_of(options, chain));
  OpenedStream opened = open_stream_of(options, chain, devices);
  SessionSettings settings{band, conditions};
  if (opened.simulated != nullptr) {
    settings.conditions.push_back({"simulated_bench", opened.scenario_name});
    settings.conditions.push_back({"simulated_volume_db", opened.simulated->volume_db()});
    if (options.simulated_parts) {
      settings.conditions.push_back(
          {"simulated_parts", static_cast<double>(*options.simulated_parts)});
    }
  }
  settings.is_stopped = is_interrupted;
  warn_of_shared_output(*opened.stream);
  OpenedBench bench;
  bench.simulated = opened.simulated;
  bench.session = std::make_unique<Session>(std::move(opened.stream), chain, std::move(settings));
  return bench;
}

void warn_of_unknown_watts(const Session& session) {
  const std::optional<Chain>& chain = session.chain();
  if (!chain) {
    print_error(
        "sinewright: no bench profile: watts are not known and nothing is cut; start low\n");
  } else if (!chain->has_calibrated_volts(0)) {
    print_error(
        "sinewright: the profile is nominal, and so is every limit in watts: 'sinewright "
        "calibrate check' tells a wrong range\n");
  }
}

double allowed_watts(const Session& session, bool is_confirmed) {
  if (!is_confirmed) return 1;
  if (!session.chain()) return std::numeric_limits<double>::infinity();
  const Profile& profile = session.chain()->profile();
  return std::min(profile.power_limit_w, profile.load.rated_w);
}

std::unique_ptr<Operator> operator_of(const OpenedBench& bench, const std::string& way_out) {
  if (bench.simulated != nullptr) return std::make_unique<SimulatedOperator>(*bench.simulated);
  return std::make_unique<TerminalOperator>(way_out);
}

}  // namespace sinewright
