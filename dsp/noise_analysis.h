// Hum and noise of a channel without signal: levels, weighted levels, and the lines of the mains.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "dsp/band.h"
#include "dsp/units.h"

namespace sinewright {

struct NoiseSettings {
  Band band;
  /// Also read the BS.468-4 quasi-peak meter; takes more time than all the rest.
  bool quasi_peak = true;
  /// Mains frequency where it is known; looked for from 45 to 65 Hz otherwise.
  std::optional<double> mains_hz;
  /// The mains family is followed up to this.
  double highest_hum_hz = 2000;
};

/// Shortest record for levels, and for the mains family.
inline constexpr double kShortestNoiseS = 0.25;
inline constexpr double kShortestHumS = 0.5;

/// One harmonic of the mains.
struct HumLine {
  int order;
  double frequency_hz;
  double rms;        ///< noise bias taken off; 0 when nothing is left
  double deviation;  ///< standard deviation of rms from noise, relative; 0 when rms is 0
  /// Phase at the instants when the lowest line that stands above the noise peaks (cosine), for
  /// orders that are multiples of that one: others have no phase that does not depend on when the
  /// record began. In (-180, 180].
  std::optional<double> phase_deg;
  bool above_noise;  ///< by three standard deviations; only these count in hum_rms
};

/// A steady line that is no harmonic of the mains.
struct OtherLine {
  double frequency_hz;
  double rms;
};

/// The strongest are listed.
inline constexpr std::size_t kMostOtherLines = 50;

/// One channel; RMS in samples, in band. Each *_deviation is the relative standard deviation of its
/// RMS (type A: the greater of what stationary noise implies and what the blocks' spread shows).
struct NoiseChannel {
  double noise_rms = 0;  ///< unweighted, all that is in band
  double noise_deviation = 0;
  double noise_a_rms = 0;
  double noise_a_deviation = 0;
  double noise_468_rms = 0;  ///< BS.468-4 network, RMS detector
  double noise_468_deviation = 0;
  /// BS.468-4 network and quasi-peak detector: mean indication once settled. None below 1.5 s,
  /// below 32 kHz, or when not asked for.
  std::optional<double> noise_468_quasi_peak;
  double offset = 0;   ///< mean of the samples: of the converter, not of the unit
  double hum_rms = 0;  ///< power sum of the mains family's lines above the noise
  double hum_deviation = 0;
  double broadband_rms = 0;  ///< noise without the family and the other lines
  double broadband_deviation = 0;
  std::vector<HumLine> hum_lines;      ///< orders 1, 2, ...; empty when there is no mains family
  std::vector<OtherLine> other_lines;  ///< strongest first
};

struct Mains {
  double frequency_hz;  ///< mean over the record
  double deviation_hz;  ///< standard deviation of that; 0 when it was given and nothing refined it
  double lowest_hz;     ///< as it wandered, over stretches of 4 s or so
  double highest_hz;
};

enum class MainsSearch {
  kFound,
  kGiven,     ///< by NoiseSettings::mains_hz
  kNotFound,  ///< no family of lines significant at one false alarm in 1000 searches of noise
  kTooShort,  ///< below kShortestHumS
};

struct NoiseAnalysis {
  std::vector<NoiseChannel> channels;
  std::optional<Mains> mains;
  MainsSearch mains_search = MainsSearch::kNotFound;
  double duration_s = 0;  ///< of all that was pushed
  double analyzed_s = 0;  ///< of the blocks, which leave out less than half a second at the end
};

/// Measures hum and noise on one or two channels, in constant memory.
///
/// Levels: averaged spectra of blocks of 1 s, half overlapping, under a 4-term Nuttall window;
/// weightings as exact functions of frequency. Lines: the power of their main lobe less the noise
/// beside them, so that slow drift of the mains costs nothing. Mains frequency: found in the
/// spectrum of either channel (mains.h), then by joint least squares of the family's lines over
/// stretches of up to 4.5 s, phases included; over the record, the mean of these. A shorter record
/// is one block, or two.
class NoiseAnalyzer {
 public:
  /// Throws std::invalid_argument for other than 1 or 2 channels, a rate outside 1 kHz to 2 MHz, an
  /// empty band, or a mains frequency outside 45 to 65 Hz.
  NoiseAnalyzer(SampleRate fs, int channels, const NoiseSettings& settings);
  ~NoiseAnalyzer();
  NoiseAnalyzer(NoiseAnalyzer&&) noexcept;
  NoiseAnalyzer& operator=(NoiseAnalyzer&&) noexcept;

  /// Adds interleaved frames, any number. Samples must be finite.
  /// Throws std::invalid_argument when `frames` does not hold whole frames.
  void push(std::span<const double> frames);

  /// The figures so far; nullopt below kShortestNoiseS of samples.
  [[nodiscard]] std::optional<NoiseAnalysis> result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace sinewright
