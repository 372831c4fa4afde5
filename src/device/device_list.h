// Sound devices as people name them, and how one of them is chosen.
#pragma once

#include <span>
#include <string>
#include <vector>

namespace sinewright {

enum class Direction { kInput, kOutput };

/// One sound device as one driver interface of the system (its host API) offers it.
struct DeviceInfo {
  int index = 0;     ///< valid until devices come or go
  std::string name;  ///< as the driver calls it; the same card can appear under several host APIs
  std::string host_api;  ///< "ALSA", "JACK Audio Connection Kit", "Windows WASAPI" ...
  int max_inputs = 0;    ///< channels
  int max_outputs = 0;   ///< channels
  double default_rate_hz = 0;
  bool is_default_input = false;
  bool is_default_output = false;
  bool is_exclusive = false;     ///< whoever opens it keeps system sounds out (ALSA hardware)
  std::vector<double> rates_hz;  ///< common rates accepted in each direction that it has, ascending

  /// "ALSA: pulse": also accepted as a selector.
  [[nodiscard]] std::string full_name() const { return host_api + ": " + name; }
};

/// Chooses one of `devices` that has channels in `direction`.
///
/// `selector`: empty for the system's default; an index; a name; "HOSTAPI: name"; or a part of
/// either that fits one device only. An exact fit beats a part; case counts in neither.
///
/// Throws Error (kDevice) that lists what there is, when no device fits or several do.
[[nodiscard]] DeviceInfo find_device(std::span<const DeviceInfo> devices,
                                     const std::string& selector, Direction direction);

/// "0 'ALSA: pulse' (32 in, 32 out), 1 ...", or "none", for error messages.
[[nodiscard]] std::string describe_devices(std::span<const DeviceInfo> devices);

/// "44100, 48000 Hz", or "none".
[[nodiscard]] std::string describe_rates(std::span<const double> rates_hz);

}  // namespace sinewright
