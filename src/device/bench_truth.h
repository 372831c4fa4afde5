// What a scenario's bench truly does: figures by closed form and quadrature, not by simulating.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "device/scenario.h"
#include "dsp/units.h"

namespace sinewright {

/// What is asked of the bench: a steady tone, long settled.
struct TruthConditions {
  double frequency_hz = 997;
  double drive_dbfs =
      -20;  ///< of the played sine; above 0 is allowed, the converter then stretches
  std::array<bool, 2> is_driven = {true, true};
  double volume_db = -20;
  std::string range;  ///< empty: the scenario's first
  bool is_powered = true;
  bool is_input_shorted = false;
  SampleRate sample_rate = {48000};  ///< decides how much of the converters' steps falls in band
  double band_low_hz = 20;           ///< harmonics and hum count from 0.3 % outside the edges on
  double band_high_hz = 20000;
};

struct HarmonicTruth {
  int order;
  double level_dbc;
  double phase_deg;  ///< of a cosine, when the fundamental is a cosine of phase 0
};

/// One channel's figures within the band. Without a tone the ratios are NaN and `harmonics` is
/// empty.
struct SpectrumTruth {
  double fundamental_vrms;
  double fundamental_phase_deg;          ///< relative to the played cosine, without the loop delay
  std::vector<HarmonicTruth> harmonics;  ///< in band, from the second
  double thd_percent;                    ///< relative to the fundamental
  double thd_n_percent;                  ///< everything but the fundamental, relative to the total
  double noise_vrms;                     ///< without harmonics and hum
  double noise_a_vrms;                   ///< the same, A-weighted
  double hum_vrms;                       ///< mains family
  double level_vrms;                     ///< everything
  double watts;                          ///< level^2 / what the load truly is
};

struct ChannelTruth {
  SpectrumTruth terminals;  ///< at the amplifier's terminals
  /// As the sound card reads it, in volts at the terminals: with its noise, steps, distortion and
  /// input high-pass, but its scales and the divider's known exactly. What a measurement on a
  /// perfectly calibrated bench should find.
  SpectrumTruth as_read;
  double fundamental_dbfs;  ///< as read, at the converter
  double peak_positive_v;   ///< of the tone with its distortion, at the terminals
  double peak_negative_v;
  std::vector<SimulatedHumLine> hum;  ///< at the terminals
};

struct BenchTruth {
  TruthConditions conditions;
  std::array<ChannelTruth, 2> channels;
  double balance_db;  ///< left minus right, fundamentals as read
  double phase_deg;   ///< right minus left, fundamentals as read, in (-180, 180]
};

/// Both channels. Harmonics are Fourier coefficients of the static curves by the trapezoidal rule
/// over a period (which converges geometrically for smooth curves), filters are the analog ones,
/// rails the fixed point of curve and load, noise is integrated through the filters and through
/// the mean square slope of the curves.
///
/// Throws std::invalid_argument unless the frequency is positive and below half the sample rate,
/// Error (kUsage) for an unknown range.
///
/// What it leaves out: the rails' ripple, which below 40 Hz moves clipping; noise that crosses from
/// the other channel; hum and noise in the sound card's own distortion.
[[nodiscard]] BenchTruth bench_truth(const Scenario& scenario, const TruthConditions& conditions);

/// Level at `frequency_hz` relative to 1 kHz as read, dB, at the same drive.
[[nodiscard]] double response_truth_db(const Scenario& scenario, const TruthConditions& conditions,
                                       std::size_t channel, double frequency_hz);

/// Fundamental as read in the other channel relative to that in `driven`, which alone is driven,
/// dB.
[[nodiscard]] double crosstalk_truth_db(const Scenario& scenario, const TruthConditions& conditions,
                                        std::size_t driven);

/// Where clipping takes THD+N, as read, of `channel` up to `thd_n_percent`: drive is found, other
/// conditions stand. nullopt when it is above that at every level, or not reached by +30 dBFS.
[[nodiscard]] std::optional<BenchTruth> output_limit_truth(const Scenario& scenario,
                                                           const TruthConditions& conditions,
                                                           std::size_t channel,
                                                           double thd_n_percent);

/// For people: what the parts of `scenario` are, where they are not as marked.
[[nodiscard]] std::string parts_text(const Scenario& scenario);

/// For people: the conditions, then both channels side by side, terminals and as read.
[[nodiscard]] std::string to_text(const BenchTruth& truth);

}  // namespace sinewright
