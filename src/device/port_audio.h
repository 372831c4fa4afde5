// The sound card, through PortAudio: what there is, and a stream of frames in both directions.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "device/device_list.h"
#include "device/stream.h"
#include "dsp/units.h"

namespace sinewright {

/// How long read() waits for a device that delivers nothing before it gives up.
inline constexpr double kDevicePatience_s = 2.0;

/// The same before the first frame: a sound server was seen to take 1.8 s to wake up.
inline constexpr double kDeviceStartPatience_s = 5.0;

/// Every device of every host API, with the common rates that each accepts; empty when there is
/// none. Trying the rates opens each device for a moment. Not to be called while a stream is open,
/// nor by two threads at once. Throws Error (kDevice) when the sound system does not start at all.
[[nodiscard]] std::vector<DeviceInfo> list_devices();

/// As the other find_device(), among the devices that there are now (their rates not tried).
[[nodiscard]] DeviceInfo find_device(const std::string& selector, Direction direction);

/// What open_stream() is to open. Selectors as in device_list.h: "" is the system's default.
struct StreamRequest {
  std::optional<std::string> input;   ///< none: read() yields silence at the pace of the output
  std::optional<std::string> output;  ///< none: nothing can be played
  double sample_rate_hz = 48000;
  int input_channels = 2;   ///< 1 to 64; also what read() yields without an input
  int output_channels = 2;  ///< 1 to 64
  /// How far the output runs ahead of the device, 0.01 to 0.4 s: within this time the caller must
  /// read() again, or silence is played, and noted as a gap.
  double latency_s = 0.2;
};

/// Opens and starts a stream. It plays silence until play() is called.
///
/// Input and output on one device, or on devices of one clock (JACK), form one stream in which
/// frame n played comes back as frame n + delay, with a delay that stays the same until a gap.
/// Otherwise they are two streams on two clocks that drift apart.
///
/// The stream notes a gap where the driver reports frames lost or inserted, where the caller read
/// too late (4 s of input are kept), and where the output ran dry, both at once and where that is
/// expected to come back. Silence played for want of frames does not shift what follows: the frames
/// that came too late are dropped. Some drivers report losses while they start.
///
/// read() throws Error (kDevice) when nothing comes for kDevicePatience_s. The destructor fades a
/// signal that still plays within 20 ms, lets the queue play out and closes the device; with a
/// device that no longer responds, it gives up after 2 s at the most.
///
/// Throws Error (kDevice) when a device is not found, is in use, does not offer the channels or the
/// rate (the text lists those it does offer); std::invalid_argument for a request outside its
/// bounds.
[[nodiscard]] std::unique_ptr<Stream> open_stream(const StreamRequest& request);

}  // namespace sinewright
