// Calibrating the dummy load with an ohmmeter.
#include <fmt/format.h>

#include <cmath>

#include "findings/error.h"
#include "measure/calibrate_tone.h"

namespace sinewright {
namespace {

constexpr const char* kStep = "load";

constexpr const char* kText =
    "Measure the dummy load with the ohmmeter, where the amplifier's terminals join it, so that "
    "its "
    "own cable counts.\n"
    "- the unit is switched off, its capacitors are discharged, and it is unplugged from the load: "
    "an ohmmeter across an amplifier reads the amplifier\n"
    "- the divider is unplugged from the load too, or its resistance counts with it\n"
    "- the meter stands on its lowest ohm range";

}  // namespace

LoadCalibration calibrate_load(const LoadCalibrationSettings& settings, double nominal_ohm,
                               Operator& person) {
  if (!(nominal_ohm > 0)) throw Error(ExitCode::kUsage, "calibrate load: nominal ohms above 0");
  if (!person.confirms(kText)) refuse_step(kStep, "stopped");

  LoadCalibration load;
  load.date = calibration_date();
  load.meter = settings.meter;
  load.temperature_ppm_per_k = settings.temperature_ppm_per_k;
  load.temperature_rise_k = settings.temperature_rise_k;
  load.lead_ohm = person
                      .reads_meter({MeterPoint::Place::kLeads, 0},
                                   "Hold the meter's tips together: what the leads alone read is "
                                   "subtracted. Skip it when the meter was zeroed with them.",
                                   [] {})
                      .value_or(0);
  if (!(load.lead_ohm >= 0 && load.lead_ohm < nominal_ohm / 4)) {
    refuse_step(kStep, fmt::format("leads of {:g} ohm: a few tenths are usual; press the tips "
                                   "together, and see that the meter shows ohm, not kilohm",
                                   load.lead_ohm));
  }
  for (std::size_t c = 0; c < 2; ++c) {
    const std::optional<double> reading = person.reads_meter(
        {MeterPoint::Place::kLoad, c},
        fmt::format("Tips across the load of {}, wait until the last digit rests.", side_name(c)),
        [] {});
    if (!reading) refuse_step(kStep, fmt::format("{} was not read", side_name(c)));
    const double ohm = *reading - load.lead_ohm;
    if (!(ohm > 0 && std::isfinite(ohm))) {
      refuse_step(kStep, fmt::format("{} reads {:g} ohm with leads of {:g} ohm: a short",
                                     side_name(c), *reading, load.lead_ohm));
    }
    check_against_nominal(kStep, fmt::format("the load of {}", side_name(c)), ohm, nominal_ohm,
                          "ohm",
                          "is the meter on its lowest ohm range, the unit unplugged, the load's "
                          "switch in its place");
    load.resistance_ohm[c] = ohm;
  }
  return load;
}

}  // namespace sinewright
