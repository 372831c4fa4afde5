// A bench at random: true parts within their tolerances, a meter within its data sheet, a unit that
// is known exactly. Everything that a real bench would hide.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <cstdint>

#include "bench/calibration.h"
#include "bench/profile.h"
#include "random_draws.h"

namespace sinewright {

inline constexpr double kRate_hz = 48000;
inline constexpr double kBandLow_hz = 20;
inline constexpr double kBandHigh_hz = 20000;
/// Where volts, watts, balance and distortion are read. The input is calibrated at 325 Hz.
inline constexpr double kTone_hz = 1000;
inline constexpr double kCalibrated_hz = 325;
/// The loopback's frequencies. ISO 266's "2 kHz" is among them, its "4 kHz" lies between two.
inline constexpr std::array<double, 4> kLoopback_hz = {kCalibrated_hz, kTone_hz, 1995.262, 10000};
inline constexpr double kBetween_hz = 3981.072;
/// Levels that bracket those at which the unit is read.
inline constexpr std::array<double, 3> kLoopback_dbfs = {-3, -9, -15};
inline constexpr int kHighestOrder = 5;

/// What the distortion of unit and sound card looks like.
enum class DistortionKind {
  kOneHarmonic,  ///< one harmonic, one converter leads, the same at all levels
  kSeveral,      ///< four harmonics, one converter leads, rising with level by up to 1 dB/dB
  kAlike,        ///< one harmonic, of both converters within 6 dB: cancels in the loopback or not;
                 ///< rising with level by 1 to 2 dB/dB
};

/// Complex amplitudes relative to the tone, by order; phase less order times that of the tone.
using Harmonics = std::array<std::complex<double>, kHighestOrder + 1>;

struct ChannelDraw {
  double output_full_scale_vrms;
  double input_full_scale_vrms;
  double ratio;  ///< of the divider
  double drift;  ///< relative, of the gain since calibration
  double load_ohm;
  double load_warmth;  ///< relative rise of the load from measured to in use
  /// Of output and input together at kLoopback_hz, dB.
  std::array<double, kLoopback_hz.size()> card_db;
  std::array<double, kLoopback_hz.size() - 1> bend;  ///< -1 to 1, of what interpolation leaves open
  double input_noise_rms;                            ///< in samples, of all up to half the rate
  double output_noise_rms;                           ///< re full scale of the output
  Harmonics of_output, of_input;                     ///< at -9 dBFS
  Harmonics turned;     ///< factors that the unit's phase puts on what the output made
  double unit_gain;     ///< terminals over sound card's output
  double unit_tilt_db;  ///< per decade above kTone_hz
  double unit_noise;    ///< at the terminals, relative to the tone; up to half the rate
  Harmonics of_unit;
};

struct BenchDraw {
  std::array<ChannelDraw, 2> channels;
  DistortionKind kind;
  double level_exponent;  ///< of the sound card's harmonics: ratio over level
  double input_share;     ///< of the sound card's response, 0 to 1
  double drive_dbfs;
  MeterAccuracy voltmeter, ohmmeter;
  double voltmeter_error;  ///< -1 to 1, of its bound
  double ohmmeter_error;
  double lead_ohm;
  double stability_percent;
  double temperature_ppm_per_k, temperature_rise_k;
  double nominal_ratio;
  double top_ratio;  ///< of the divider's highest range, which the second loop goes through
};

/// The same number, the same bench.
[[nodiscard]] BenchDraw draw_bench(std::uint64_t number);

/// The same bench, the divider on its highest range.
[[nodiscard]] BenchDraw on_highest_range(BenchDraw bench);

/// What the technician writes down before anything is calibrated.
[[nodiscard]] Profile nominal_profile(const BenchDraw& bench);

/// The sound card's response at any frequency, output and input together: straight over log
/// frequency between the loopback's, bent by as much as the reading's budget allows for.
[[nodiscard]] double card_db(const ChannelDraw& channel, double frequency_hz);
[[nodiscard]] double unit_db(const ChannelDraw& channel, double frequency_hz);

/// Volts of the tone at the terminals, `frequency_hz` played at `drive` (1: full scale).
[[nodiscard]] double terminal_vrms(const BenchDraw& bench, std::size_t channel, double frequency_hz,
                                   double drive);

struct UnitTruth {
  double fundamental_vrms;
  double level_vrms;  ///< in band, all together
  double watts;
  double thd;
  double thd_n;
};
[[nodiscard]] UnitTruth unit_truth(const BenchDraw& bench, std::size_t channel);

}  // namespace sinewright
