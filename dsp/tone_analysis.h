// A steady tone, measured twice over: by spectrum and by notch. Every figure of a tone comes from
// here.
#pragma once

#include <complex>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "dsp/band.h"
#include "dsp/disturbances.h"
#include "dsp/peaks.h"
#include "dsp/units.h"

namespace sinewright {

struct ToneSettings {
  Band band;
  /// Electrical Q of the notch. AES17 asks for 1.2 to 3 (2015 and later, from memory).
  double notch_q = 2;
  /// Blocks are no longer than this: drift within a block must stay quadratic.
  double longest_block_s = 1;
  /// Nor than this, where the tone has ten periods in it: such blocks stay in the processor's
  /// cache.
  double usual_block_s = 0.5;
};

/// The fewest periods of the tone that a block must span.
inline constexpr double kFewestPeriods = 5;

/// The block length for a stretch of `frames` steady frames: the longest good FFT length that
/// neither the stretch nor the limits in `settings` for a tone of `lowest_hz` exceed; 0 when the
/// stretch is below 256 frames.
[[nodiscard]] std::size_t tone_block_frames(std::size_t frames, SampleRate fs, double lowest_hz,
                                            const ToneSettings& settings);

/// One harmonic, relative to the fundamental.
struct HarmonicLevel {
  int order;
  double frequency_hz;
  std::complex<double> ratio;  ///< amplitude ratio and phase; phase less order times that of the
                               ///< fundamental, cosine convention; mean over the blocks
  double deviation;            ///< standard deviation of |ratio| from noise, type A
  double power_ratio;          ///< |ratio|^2 less the noise's own share; may be negative
};

struct ToneChannel {
  double frequency_hz = 0;
  double frequency_deviation_hz = 0;  ///< standard deviation, type A
  double fundamental_rms = 0;         ///< RMS of the tone alone, in samples
  double level_rms = 0;               ///< in-band RMS, tone, distortion and noise
  double level_deviation = 0;         ///< relative standard deviation of fundamental_rms, type A
  /// The same from the blocks' own levels, a straight line through them taken out: the relative
  /// standard deviation of their mean. 0 below three blocks.
  double level_spread = 0;
  double level_blocks = 0;  ///< how many went into it; one that overlaps the last counts in part
  double offset = 0;        ///< mean of the samples: of the converter, not of the unit
  std::vector<HarmonicLevel> harmonics;  ///< 2 to the highest in band
  std::optional<double> thd;             ///< harmonics to fundamental; none when lost in the noise
  double thd_bound = 0;                  ///< with twice its deviation added: never above this
  double thd_n = 0;                      ///< all but the fundamental to the total, in band (AES17)
  double thd_n_deviation = 0;            ///< relative standard deviation of thd_n, type A
  double noise_rms = 0;                  ///< in band, harmonics and fundamental taken out
  double noise_a_rms = 0;                ///< the same A-weighted
  double noise_468_rms = 0;              ///< the same weighted after BS.468, RMS
  double ultrasonic_rms = 0;             ///< all above the band
  double close_in_hz = 0;  ///< noise nearer to the tone than this is estimated from beyond it
  double level_drift_db_per_s = 0;
  double frequency_drift_hz_per_s = 0;
  double notch_thd_n = 0;            ///< the notch path's reading, its own ratio
  double notch_thd_n_predicted = 0;  ///< what it must read from the spectrum
  bool paths_disagree = false;
  PeakFigures peaks;
  bool has_tone = false;  ///< false: what stands at the tone's frequency is not above the noise
};

struct TonePair {
  double phase_deg;  ///< right (second) minus left (first), in (-180, 180]
};

/// A stretch of what the notch leaves, and its mean over one period.
struct ResidualWaveform {
  std::vector<double> samples;          ///< up to four periods, in samples
  std::vector<double> averaged_period;  ///< in step with the tone, from phase 0 of its cosine
};

struct ToneAnalysis {
  std::vector<ToneChannel> channels;
  std::vector<ResidualWaveform> residuals;  ///< one for each channel
  std::optional<TonePair> pair;             ///< for two channels with the same tone
  std::vector<Disturbance> disturbances;    ///< at most kMostDisturbances listed
  std::int64_t disturbance_count = 0;
  std::int64_t blocks = 0;
  double block_s = 0;
};

/// Tables for one rate, block length and set of settings; shared by all analyses that have these.
class TonePlan;
[[nodiscard]] std::shared_ptr<const TonePlan> make_tone_plan(SampleRate fs,
                                                             std::size_t block_frames,
                                                             const ToneSettings& settings);

/// Measures a tone on one or two channels, block by block, in constant memory.
///
/// Spectrum path: least squares of the tone with drift (tone_fit.h), FFT of what it leaves under a
/// 4-term Nuttall window, least squares of the harmonics (lines.h), noise from the rest; blocks are
/// combined by power, harmonics by phasor. Notch path: in the time domain, each block started in
/// the tone's steady state: notch, band limits, RMS. The notch's reading is predicted from the
/// spectrum; the two disagree when they differ by more than 0.1 dB + 13 dB / sqrt(B T) (and, for
/// tones of a few bins, the square of close_in_hz / frequency_hz), with both above what the notch
/// path can resolve.
class ToneAnalyzer {
 public:
  /// `guess_hz`: one for each channel, within half a bin of the block; a silent channel is given
  /// its neighbour's. Throws std::invalid_argument for other than 1 or 2 channels, or a guess that
  /// is less than kFewestPeriods bins from 0 or from fs/2.
  ToneAnalyzer(std::shared_ptr<const TonePlan> plan, std::span<const double> guess_hz);
  ~ToneAnalyzer();
  ToneAnalyzer(ToneAnalyzer&&) noexcept;
  ToneAnalyzer& operator=(ToneAnalyzer&&) noexcept;

  [[nodiscard]] std::size_t block_frames() const;

  /// Adds a block of block_frames() interleaved frames that begin at absolute frame `start`.
  /// `weight`: its share in the mean, 0 to 1; below 1 for a block that overlaps the last.
  void add_block(std::span<const double> frames, std::int64_t start, double weight = 1);

  /// The blocks to come do not continue those so far: frames were lost.
  void begin_segment();

  /// The figures so far. Throws std::logic_error before the first block.
  [[nodiscard]] ToneAnalysis result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// The whole of `frames` (interleaved) as one steady tone: cut into blocks, the last one aligned
/// with the end. nullopt when it holds fewer than kFewestPeriods periods or 256 frames.
[[nodiscard]] std::optional<ToneAnalysis> analyze_tone(std::span<const double> frames,
                                                       SampleRate fs,
                                                       std::span<const double> guess_hz,
                                                       const ToneSettings& settings);

}  // namespace sinewright
