// Diodes across a sound card's input, strings of them either way round: what they hold, and from
// which level on they distort.
#pragma once

namespace sinewright {

/// A diode as i = saturation (exp(v / (emission VT)) - 1), at 25 °C (Shockley, Bell Syst. Tech. J.
/// 28, 1949). When hotter it conducts earlier.
struct ClampDiode {
  const char* name;
  double saturation_a;
  double emission;      ///< ideality factor
  double continuous_a;  ///< what it bears for ever
};

/// Small-signal silicon switching diode: 0.69 V at 10 mA. Common model values, from memory.
inline constexpr ClampDiode kSiliconDiode{"small-signal silicon diode", 2.5e-9, 1.75, 0.1};

/// Red light-emitting diode: 1.65 V at 1 mA. Chosen so; common practice, no source.
inline constexpr ClampDiode kRedLed{"red LED", 1.1e-17, 2.0, 0.02};

/// `in_series` diodes one way, as many the other way, across the input.
struct Clamp {
  ClampDiode diode;
  int in_series;
};

/// Current through the clamp at `volts` across it, either sign.
[[nodiscard]] double clamp_a(const Clamp& clamp, double volts);

/// Volts across the clamp that a source of `volts` behind `resistance_ohm` drives it to.
[[nodiscard]] double clamped_v(const Clamp& clamp, double volts, double resistance_ohm);

/// Third harmonic of a sine of `peak_v` behind `resistance_ohm`, dB relative to it, -400 at least:
/// the current's, 4 Is I3(peak / (n VT)), times the resistance. Small signals, that is to -40 dB or
/// so: the drop that the current causes is neglected beside the sine.
/// Source: Jacobi-Anger expansion of sinh(a sin x), Abramowitz and Stegun, 9.6.35.
[[nodiscard]] double clamp_third_harmonic_dbc(const Clamp& clamp, double peak_v,
                                              double resistance_ohm);

/// The peak at which that reaches `limit_dbc`.
[[nodiscard]] double clean_peak_v(const Clamp& clamp, double resistance_ohm, double limit_dbc);

/// The fewest in series that stay below `limit_dbc` at `peak_v`.
[[nodiscard]] Clamp clamp_for(const ClampDiode& diode, double peak_v, double resistance_ohm,
                              double limit_dbc);

}  // namespace sinewright
