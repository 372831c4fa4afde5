#include "measure/foreign_profile.h"

#include <fmt/format.h>

namespace sinewright {

std::vector<Caution> foreign_cautions(const Chain& chain, const Stream& stream) {
  std::vector<Caution> found;
  const auto say = [&](std::string text) {
    found.push_back({"foreign_profile", std::move(text), "", std::nullopt});
  };
  const auto look = [&](const std::string& what, const auto& calibration) {
    if (!calibration) return;
    const std::string device = stream.device();
    if (!calibration->device.empty() && calibration->device != device) {
      say(
          fmt::format("{} was calibrated with '{}', this is '{}': its values do not hold here; "
                      "calibrate with this device, or use that one",
                      what, calibration->device, device));
    }
    const double rate_hz = stream.sample_rate().hz;
    if (calibration->sample_rate_hz && *calibration->sample_rate_hz != rate_hz) {
      say(
          fmt::format("{} was calibrated at {:g} Hz, this is {:g} Hz: converters have another gain "
                      "and response there; calibrate at this rate, or use that one",
                      what, *calibration->sample_rate_hz, rate_hz));
    }
  };
  look(fmt::format("range {}", chain.range().name), chain.range().calibration);
  look("the output", chain.profile().output_calibration);
  look("the loopback", chain.profile().loopback);
  return found;
}

}  // namespace sinewright
