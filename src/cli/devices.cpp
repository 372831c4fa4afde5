// sinewright devices: what there is to record from and to play on.
#include <fmt/format.h>

#include <memory>
#include <nlohmann/json.hpp>

#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "device/port_audio.h"
#include "findings/error.h"
#include "report/labels.h"
#include "report/numbers.h"
#include "report/text_table.h"
#include "version.h"

namespace sinewright {
namespace {

using Align = TextTable::Align;

std::string defaults_of(const DeviceInfo& device) {
  if (device.is_default_input && device.is_default_output) return "default";
  if (device.is_default_input) return "default input";
  if (device.is_default_output) return "default output";
  return {};
}

std::string as_table(const std::vector<DeviceInfo>& devices) {
  TextTable table({Align::kRight, Align::kLeft, Align::kLeft, Align::kRight, Align::kRight,
                   Align::kRight, Align::kLeft, Align::kLeft});
  table.add({"No", "Device", "Host API", "In", "Out", "Rate Hz", "Rates offered", ""});
  for (const DeviceInfo& device : devices) {
    table.add({std::to_string(device.index), printable(device.name), printable(device.host_api),
               std::to_string(device.max_inputs), std::to_string(device.max_outputs),
               short_number(device.default_rate_hz), describe_rates(device.rates_hz),
               defaults_of(device)});
  }
  return table.render(output_style());
}

std::string as_json(const std::vector<DeviceInfo>& devices) {
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  for (const DeviceInfo& device : devices) {
    list.push_back({{"index", device.index},
                    {"name", device.name},
                    {"host_api", device.host_api},
                    {"max_inputs", device.max_inputs},
                    {"max_outputs", device.max_outputs},
                    {"default_rate_hz", device.default_rate_hz},
                    {"rates_hz", device.rates_hz},
                    {"is_default_input", device.is_default_input},
                    {"is_default_output", device.is_default_output},
                    {"is_exclusive", device.is_exclusive}});
  }
  const nlohmann::ordered_json document = {{"sinewright", kVersion}, {"devices", std::move(list)}};
  // A driver may name a device in any encoding.
  return document.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace) + "\n";
}

int run_devices(bool is_json) {
  const std::vector<DeviceInfo> devices = list_devices();
  if (devices.empty()) {
    throw Error(ExitCode::kDevice,
                "no sound devices found; connect one, start the sound server, or use --simulate "
                "with the other commands");
  }
  print(is_json ? as_json(devices) : as_table(devices));
  return 0;
}

}  // namespace

void add_devices_command(CLI::App& app, Job& job) {
  CLI::App* command = app.add_subcommand("devices", "List the sound devices and what they offer");
  const auto is_json = std::make_shared<bool>(false);
  command->add_flag("--json", *is_json, "print JSON and nothing else");
  add_example(*command, "sinewright devices");
  command->callback([&job, is_json] { job = [is_json] { return run_devices(*is_json); }; });
}

}  // namespace sinewright
