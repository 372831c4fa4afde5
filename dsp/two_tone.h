// Two tones at once: intermodulation products and the distortion figures made of them.
#pragma once

#include <complex>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "dsp/tone_analysis.h"
#include "dsp/units.h"

namespace sinewright {

/// Products are followed up to this order, |k| + |m|.
inline constexpr int kHighestProductOrder = 5;
/// The two tones stand at least this many bins apart, and from 0 and fs/2.
inline constexpr double kFewestBinsApart = 10;

/// One product at |k f1 + m f2|, f1 the lower tone; harmonics of one tone (k or m 0) included.
struct IntermodulationProduct {
  int k;
  int m;
  double frequency_hz;
  double rms;        ///< in samples; noise bias taken off, 0 when nothing is left
  double deviation;  ///< standard deviation of rms from noise, in samples
  double phase_deg;  ///< less k times the phase of f1 and m times that of f2, cosine convention
};

/// A distortion figure, as a ratio.
struct DistortionFigure {
  double ratio;
  double deviation;  ///< standard deviation from noise: a ratio not well above it is noise
};

struct TwoToneChannel {
  double frequency_1_hz = 0;  ///< the lower
  double frequency_2_hz = 0;
  double rms_1 = 0;
  double rms_2 = 0;
  double ratio_db = 0;   ///< rms_1 to rms_2
  double level_rms = 0;  ///< in band: both tones, products and noise
  double offset = 0;
  std::vector<IntermodulationProduct> products;  ///< in band, ascending frequency

  /// Modulation distortion after IEC 60268-3 (from memory), given when f1 is 6 dB or more above f2:
  /// (U(f2-f1) + U(f2+f1)) / U(f2), and the same with 2 f1. Arithmetic sums.
  std::optional<DistortionFigure> imd_modulation_2;
  std::optional<DistortionFigure> imd_modulation_3;
  /// Amplitude modulation of f2 as a demodulator reads it, SMPTE style (from memory): for each pair
  /// of sidebands the depth |r+ + conj(r-)|, root sum of squares over both pairs. Equals the root
  /// sum of squares of the two above when the sidebands are those of amplitude modulation alone.
  std::optional<DistortionFigure> imd_modulation;
  /// Difference-frequency distortion after IEC 60268-3 (from memory), given when the tones are
  /// within 3 dB of each other: U(f2-f1) / (2 U(f2)), and (U(2f1-f2) + U(2f2-f1)) / (2 U(f2)).
  std::optional<DistortionFigure> imd_difference_2;
  std::optional<DistortionFigure> imd_difference_3;
  /// Total difference-frequency distortion: root sum of squares of U(f2-f1) and U(2f1-f2), to the
  /// total. Defined for 8 and 11.95 kHz; given for any pair that has imd_difference_2.
  std::optional<DistortionFigure> imd_difference_total;
  /// Everything but both tones to the total, in band.
  DistortionFigure imd_residual{0, 0};

  double noise_rms = 0;    ///< in band, tones and products taken out
  bool has_tones = false;  ///< both stand above the noise
};

struct TwoToneAnalysis {
  std::vector<TwoToneChannel> channels;
  std::int64_t blocks = 0;
  double block_s = 0;
};

/// Measures two tones on one or two channels, block by block, in constant memory.
///
/// Each tone is fitted with drift, the other taken out, in turn until neither changes
/// (tone_fit.h); products by least squares in the spectrum of what is left (lines.h). Blocks are
/// combined by power, products by phasor. Both channels are taken to carry the same two tones.
class TwoToneAnalyzer {
 public:
  /// `guess_1`, `guess_2`: in any order, each within half a bin of the block.
  /// Throws std::invalid_argument for other than 1 or 2 channels, or for guesses closer than
  /// kFewestBinsApart to each other, to 0 or to fs/2.
  TwoToneAnalyzer(std::shared_ptr<const TonePlan> plan, int channels, Hertz guess_1, Hertz guess_2);
  ~TwoToneAnalyzer();
  TwoToneAnalyzer(TwoToneAnalyzer&&) noexcept;
  TwoToneAnalyzer& operator=(TwoToneAnalyzer&&) noexcept;

  [[nodiscard]] std::size_t block_frames() const;

  /// Adds a block of block_frames() interleaved frames. `weight`: its share in the mean, 0 to 1;
  /// below 1 for a block that overlaps the last. Throws std::invalid_argument for another size.
  void add_block(std::span<const double> frames, double weight = 1);

  /// The figures so far. Throws std::logic_error before the first block.
  [[nodiscard]] TwoToneAnalysis result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// The whole of `frames` (interleaved) as two steady tones: cut into blocks, the last one aligned
/// with the end. nullopt when it is too short for the tones: see kFewestBinsApart.
/// Throws std::invalid_argument when `frames` does not hold whole frames of 1 or 2 channels.
[[nodiscard]] std::optional<TwoToneAnalysis> analyze_two_tones(std::span<const double> frames,
                                                               SampleRate fs, int channels,
                                                               Hertz guess_1, Hertz guess_2,
                                                               const ToneSettings& settings);

}  // namespace sinewright
