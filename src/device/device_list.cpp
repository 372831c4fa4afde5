// Finds a device by what a person types.
#include "device/device_list.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <functional>
#include <optional>

#include "findings/error.h"

namespace sinewright {
namespace {

std::string lower(std::string text) {
  for (char& c : text) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return text;
}

const char* noun(Direction direction) {
  return direction == Direction::kInput ? "input" : "output";
}

bool has_channels(const DeviceInfo& device, Direction direction) {
  return (direction == Direction::kInput ? device.max_inputs : device.max_outputs) > 0;
}

std::optional<int> as_index(const std::string& selector) {
  int index = 0;
  const auto [end, error] =
      std::from_chars(selector.data(), selector.data() + selector.size(), index);
  if (error != std::errc{} || end != selector.data() + selector.size()) return std::nullopt;
  return index;
}

using Fits = std::function<bool(const DeviceInfo&)>;

// From the strictest way of reading the selector to the loosest.
std::vector<Fits> ways_to_fit(const std::string& selector, Direction direction) {
  if (selector.empty()) {
    return {[direction](const DeviceInfo& device) {
      return direction == Direction::kInput ? device.is_default_input : device.is_default_output;
    }};
  }
  const std::string wanted = lower(selector);
  std::vector<Fits> ways;
  if (const auto index = as_index(selector)) {
    ways.push_back([index](const DeviceInfo& device) { return device.index == *index; });
  }
  ways.push_back([wanted](const DeviceInfo& device) {
    return lower(device.name) == wanted || lower(device.full_name()) == wanted;
  });
  ways.push_back([wanted](const DeviceInfo& device) {
    return lower(device.full_name()).find(wanted) != std::string::npos;
  });
  return ways;
}

[[noreturn]] void refuse(const std::string& text) { throw Error(ExitCode::kDevice, text); }

}  // namespace

std::string describe_devices(std::span<const DeviceInfo> devices) {
  std::string text;
  for (const DeviceInfo& device : devices) {
    if (!text.empty()) text += ", ";
    text += fmt::format("{} '{}' ({} in, {} out)", device.index, device.full_name(),
                        device.max_inputs, device.max_outputs);
  }
  return text.empty() ? "none" : text;
}

std::string describe_rates(std::span<const double> rates_hz) {
  if (rates_hz.empty()) return "none";
  return fmt::format("{:.0f} Hz", fmt::join(rates_hz, ", "));
}

DeviceInfo find_device(std::span<const DeviceInfo> devices, const std::string& selector,
                       Direction direction) {
  std::vector<DeviceInfo> usable;
  std::copy_if(devices.begin(), devices.end(), std::back_inserter(usable),
               [direction](const DeviceInfo& device) { return has_channels(device, direction); });
  if (usable.empty()) {
    refuse(fmt::format("no {} device found; connect a sound card, or use the simulated bench",
                       noun(direction)));
  }
  for (const Fits& fits : ways_to_fit(selector, direction)) {
    std::vector<DeviceInfo> found;
    std::copy_if(usable.begin(), usable.end(), std::back_inserter(found), fits);
    if (found.size() == 1) return found.front();
    if (found.size() > 1) {
      refuse(fmt::format("{} device '{}': fits several, give one of their numbers: {}",
                         noun(direction), selector, describe_devices(found)));
    }
  }
  if (selector.empty()) {
    refuse(fmt::format("the system names no default {} device; choose one of: {}", noun(direction),
                       describe_devices(usable)));
  }
  refuse(fmt::format("no {} device '{}'; choose one of: {}", noun(direction), selector,
                     describe_devices(usable)));
}

}  // namespace sinewright
