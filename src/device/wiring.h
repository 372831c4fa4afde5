// How the sound card is wired: to the unit, or for a step of the calibration.
#pragma once

#include <cstddef>

namespace sinewright {

enum class Wiring {
  kUnit,        ///< output to the unit's input, its terminals to the divider
  kDividerTop,  ///< output to the divider's top, no unit: left to left, right to right
  kLoopback,    ///< output to input, no divider
  kTerminated,  ///< output unplugged, input closed with a low resistance
};

/// Where the meter's tips are.
struct MeterPoint {
  enum class Place { kDividerTop, kTerminals, kOutput, kLoad, kLeads };
  Place place = Place::kDividerTop;
  std::size_t channel = 0;  ///< 0 left, 1 right
};

}  // namespace sinewright
