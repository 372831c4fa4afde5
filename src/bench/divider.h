// Designs the divider between amplifier and sound card, and the pads between sound card and
// amplifier, from preferred values.
//
// A design is nominal: what the finished divider does is measured, by calibrating it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "bench/attenuator.h"
#include "bench/clamp.h"
#include "bench/e_series.h"

namespace sinewright {

/// The resistors at hand.
struct ResistorKind {
  ESeries series = ESeries::kE24;
  double tolerance_percent = 1;
  double rated_w = 0.6;  ///< at 70 °C
  double rated_v = 250;
};

/// What the divider must bear and fit. All volts are between a terminal and chassis.
struct DividerRequest {
  double power_w = 100;  ///< each channel into the load, sine
  double load_ohm = 8;
  double rail_v = 55;       ///< the larger supply rail: a fault may put it on the output as DC
  bool is_bridged = false;  ///< the load stands between two live terminals

  double input_full_scale_vrms = 2;
  double input_ohm = 10000;
  double margin_db = 3;  ///< from `power_w`, and from `low_w`, up to full scale
  double low_w = 1;      ///< what the low range must take
  ResistorKind resistor;
  double cable_pf = 300;         ///< cable and input together
  double ambient_c = 40;         ///< inside the divider's box
  double high_source_ohm = 500;  ///< highest source resistance
  double low_source_ohm = 2000;
  std::optional<double> card_noise_dbfs;  ///< of the input, in 20 Hz - 20 kHz

  double output_full_scale_vrms = 2;  ///< of the sound card's output, unloaded
  double output_ohm = 100;
  double line_pad_db = 20;
  double phono_full_scale_vrms = 0.05;  ///< 5 mV then is -20 dBFS, 2.5 mV is -26
  double pad_load_ohm = 47000;          ///< the unit's input
};

/// Volts RMS and peak that `power_w` puts on one terminal; half of the load's when bridged.
[[nodiscard]] double terminal_vrms(const DividerRequest& request, double power_w);
[[nodiscard]] double terminal_peak_v(const DividerRequest& request);

/// R1 as equal resistors in series, R2 as one.
struct ResistorPair {
  double top_each_ohm = 0;
  int top_count = 1;
  double bottom_ohm = 0;
};

/// Diodes across the input: a suggestion, and what it does.
struct ClampDesign {
  Clamp clamp;
  double clean_dbfs = 0;  ///< peak level up to which its third harmonic stays below -120 dBc
  double fault_v = 0;     ///< across the input with the rail on the terminal and R2 open
  double fault_a = 0;     ///< through R1 and the diodes then
};

/// One range, nominal values; `full power` is `power_w`, `rail` the rail as DC on the terminal.
struct RangeDesign {
  std::string name;
  ResistorPair pair;
  Attenuator divider;

  double wanted_ratio = 0;  ///< would put the level asked for exactly the margin below full scale
  double ratio = 0;         ///< input connected
  RatioBounds bounds{};     ///< from the resistors' tolerance
  double loading_db = 0;
  double full_scale_vrms = 0;  ///< at the terminal
  double full_scale_w = 0;     ///< in the load
  double full_power_dbfs = 0;  ///< above 0 where full power overloads this range
  double clipping_dbfs = 0;    ///< an amplifier clipping at its rails, peak against full-scale peak

  double allowed_w = 0;  ///< half of what one resistor may bear at the ambient temperature
  double top_full_power_w = 0, bottom_full_power_w = 0;  ///< in one resistor
  double top_rail_w = 0;  ///< in one of R1, the whole rail across R1 (R2 short, or clamped)
  double bottom_rail_w = 0;
  double top_rail_v = 0;         ///< across one of R1
  double top_peak_v = 0;         ///< across one of R1 at full power
  double voltage_dbc = 0;        ///< third harmonic of R1 there, for 1 ppm/V: a bound
  double full_power_vrms = 0;    ///< at the input
  double rail_v = 0;             ///< at the input, as a step
  double open_full_power_v = 0;  ///< RMS at the input, R2 open
  double open_rail_v = 0;

  double source_ohm = 0, total_ohm = 0;
  double thermal_vrms = 0;         ///< at the input, 20 Hz - 20 kHz
  double thermal_db = 0;           ///< relative to 1 W in the load
  std::optional<double> noise_db;  ///< with the sound card's noise
  double pole_hz = 0, loss_20k_db = 0;
  double shunt_percent = 0;      ///< watts that the divider takes besides the load's
  ClampDesign clamp;             ///< red LEDs, as many in series as stay out of the residual
  double silicon_pair_dbfs = 0;  ///< a single pair of silicon diodes is clean only up to this peak
};

/// A pad from the sound card's output to an input of the unit.
struct PadDesign {
  std::string name;
  double top_ohm = 0, bottom_ohm = 0;
  double wanted_db = 0;
  double attenuation_db = 0;  ///< unloaded output to loaded pad; positive
  double full_scale_vrms = 0;
  double source_ohm = 0;     ///< what the unit's input sees
  double thermal_vrms = 0;   ///< 20 Hz - 20 kHz
  double card_load_ohm = 0;  ///< what the output of the sound card drives
};

struct DividerDesign {
  DividerRequest request;
  std::vector<RangeDesign> ranges;  ///< high, low
  std::vector<PadDesign> pads;      ///< line, phono
};

/// The figures of one range made of `pair`.
[[nodiscard]] RangeDesign evaluate_range(const DividerRequest& request, const std::string& name,
                                         const ResistorPair& pair, double wanted_ratio);

/// The pair for `wanted_ratio`, by exhaustive search: of all pairs that are safe, the one whose
/// ratio, at the worst end of the tolerance, exceeds the wanted one by least. Of several counts of
/// R1 the smallest within 0.25 dB of the best is taken.
///
/// Safe: each resistor at most at half of what it bears (watts derated, volts), with full power and
/// with the rail as DC; at most 25 V peak across one of R1 at full power, for its resistance
/// changes with voltage; at most 20 mA from the rail, so that clamp diodes bear it; source
/// resistance from a fifth of `source_limit_ohm` up to it; R2 no larger than the input, whose ohms
/// are less certain than R2's. Halves and 25 V are common practice.
///
/// Throws Error (kUsage) when there is none.
[[nodiscard]] ResistorPair find_pair(const DividerRequest& request, double wanted_ratio,
                                     double source_limit_ohm);

/// Throws std::invalid_argument, naming the field, for a value that is not positive (margin,
/// ambient temperature and noise may be 0 or less), for a rail below the peak of `power_w`, for
/// `low_w` above it; as find_pair() else. The same request gives the same design.
[[nodiscard]] DividerDesign design_divider(const DividerRequest& request);

}  // namespace sinewright
