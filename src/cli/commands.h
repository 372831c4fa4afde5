// The commands: each adds itself to the program and says what is to be run when it was chosen.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>

namespace sinewright {

/// What the command line asked for; returns the program's exit code.
using Job = std::function<int()>;

/// Each adds one command to `app`. Parsing it sets `job`, which runs afterwards, so that errors of
/// usage come before anything is opened. `job` must outlive `app`.
void add_devices_command(CLI::App& app, Job& job);
void add_tone_command(CLI::App& app, Job& job);
void add_measure_command(CLI::App& app, Job& job);
void add_response_command(CLI::App& app, Job& job);
void add_power_command(CLI::App& app, Job& job);
void add_noise_command(CLI::App& app, Job& job);
void add_analyze_command(CLI::App& app, Job& job);
void add_divider_command(CLI::App& app, Job& job);
void add_truth_command(CLI::App& app, Job& job);
void add_calibrate_command(CLI::App& app, Job& job);

}  // namespace sinewright
