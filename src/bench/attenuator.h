// A resistive divider: what two resistors, a cable and an input make of a voltage.
//
// Where no other source is named, Ohm's and Kirchhoff's laws are.
#pragma once

namespace sinewright {

/// R1 from the source to the tap, R2 from the tap to ground, an input beside R2.
struct Attenuator {
  double top_ohm = 0;     ///< R1, all of it where several stand in series
  double bottom_ohm = 0;  ///< R2
  double input_ohm = 0;   ///< of what is connected to the tap
};

/// R2 with the input in parallel.
[[nodiscard]] double loaded_bottom_ohm(const Attenuator& divider);

/// Volts in per volt at the tap, input connected; 1 or more.
[[nodiscard]] double ratio_of(const Attenuator& divider);

/// The error, in dB, of reckoning without the input: negative, for it takes some of the volts.
[[nodiscard]] double loading_db(const Attenuator& divider);

/// What the source sees: R1 plus the loaded R2.
[[nodiscard]] double total_ohm(const Attenuator& divider);

/// What the input and the cable see: R1 beside the loaded R2. Equals R1 / ratio.
[[nodiscard]] double source_ohm(const Attenuator& divider);

/// Watts in R1 and in R2 at `volts`, RMS or DC, across the divider.
[[nodiscard]] double top_w(const Attenuator& divider, double volts);
[[nodiscard]] double bottom_w(const Attenuator& divider, double volts);

/// Volts at the input when R2 is open: R1 and the input alone divide.
[[nodiscard]] double open_bottom_v(const Attenuator& divider, double volts);

/// Extremes of the ratio when each resistor may be off by `tolerance_percent`, the input exact.
struct RatioBounds {
  double low, high;
};
[[nodiscard]] RatioBounds ratio_bounds(const Attenuator& divider, double tolerance_percent);

/// Thermal noise, V RMS: sqrt(4 k T R B), J. B. Johnson and H. Nyquist, Phys. Rev. 32, 1928, with
/// the k of the SI of 2019.
[[nodiscard]] double thermal_noise_vrms(double resistance_ohm, double bandwidth_hz,
                                        double temperature_k);

/// -3 dB frequency of `resistance_ohm` into `capacitance_f`.
[[nodiscard]] double pole_hz(double resistance_ohm, double capacitance_f);

/// Loss of such a pole at `frequency_hz`, dB; never negative.
[[nodiscard]] double pole_loss_db(double frequency_hz, double pole_hz);

/// Part of its rated watts that a metal film resistor bears at an ambient temperature: all up to
/// 70 °C, then 80 % at 85, 60 % at 100, 40 % at 120, 20 % at 140, 10 % at 145, straight between,
/// and nothing from 150 °C on. Source: guidance of MIL-PRF-39017 as reproduced in an engineering
/// reference; the last straight, to 150, continues the one before.
[[nodiscard]] double metal_film_derating(double ambient_c);

/// Third harmonic, dB relative to the tone, of a resistance that changes by
/// `coefficient_ppm_per_v` of the volts across it, either sign: R (1 + c |v|).
///
/// v |v| of a sine A sin has the third harmonic 8 A^2 / (15 pi), so the ratio comes to
/// c A 8 / (15 pi); `peak_v` is A. Source: Fourier series of sin |sin|.
[[nodiscard]] double voltage_coefficient_dbc(double coefficient_ppm_per_v, double peak_v);

}  // namespace sinewright
