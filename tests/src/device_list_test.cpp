// Choosing a device by what a person types. Invented devices.
#include "device/device_list.h"

#include <doctest/doctest.h>

#include "findings/error.h"

namespace sinewright {
namespace {

DeviceInfo device(int index, const char* host_api, const char* name, int inputs, int outputs) {
  DeviceInfo info;
  info.index = index;
  info.host_api = host_api;
  info.name = name;
  info.max_inputs = inputs;
  info.max_outputs = outputs;
  return info;
}

std::vector<DeviceInfo> some_devices() {
  std::vector<DeviceInfo> devices = {
      device(0, "ALSA", "Bench card: Line (hw:1,0)", 2, 2),
      device(1, "ALSA", "default", 32, 32),
      device(2, "JACK", "Bench card", 2, 2),
      device(3, "ALSA", "Microphone", 1, 0),
      device(4, "JACK", "7", 0, 2),
  };
  devices[1].is_default_input = true;
  return devices;
}

int found(const std::string& selector, Direction direction) {
  return find_device(some_devices(), selector, direction).index;
}

std::string complaint(const std::string& selector, Direction direction,
                      const std::vector<DeviceInfo>& devices = some_devices()) {
  try {
    return "found " + find_device(devices, selector, direction).name;
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kDevice);
    return error.what();
  }
}

}  // namespace

TEST_CASE("a device is found by index, name, host API and name, or a part") {
  CHECK(found("2", Direction::kInput) == 2);
  CHECK(found("7", Direction::kOutput) == 4);          // no such index, but a name
  CHECK(found("bench card", Direction::kInput) == 2);  // exact beats the part found in 0 and 2
  CHECK(found("ALSA: default", Direction::kOutput) == 1);
  CHECK(found("hw:1", Direction::kOutput) == 0);
  CHECK(found("jack: bench", Direction::kOutput) == 2);
  CHECK(found("MICRO", Direction::kInput) == 3);
  CHECK(found("", Direction::kInput) == 1);
}

TEST_CASE("a selector that fits none or several is refused with the choice") {
  CHECK(complaint("bench", Direction::kInput) ==
        "input device 'bench': fits several, give one of their numbers: "
        "0 'ALSA: Bench card: Line (hw:1,0)' (2 in, 2 out), 2 'JACK: Bench card' (2 in, 2 out)");
  // Without inputs it is no choice for an input.
  CHECK(
      complaint("4", Direction::kInput).starts_with("no input device '4'; choose one of: 0 'ALSA"));
  CHECK(complaint("9", Direction::kInput).find("4 'JACK") == std::string::npos);
  CHECK(complaint("Micro", Direction::kOutput).starts_with("no output device 'Micro'"));
  CHECK(complaint("", Direction::kOutput).starts_with("the system names no default output device"));
  CHECK(complaint("x", Direction::kOutput, {}).starts_with("no output device found; connect"));
}

TEST_CASE("rates are listed for people") {
  CHECK(describe_rates(std::vector{44100.0, 48000.0}) == "44100, 48000 Hz");
  CHECK(describe_rates({}) == "none");
}

}  // namespace sinewright
