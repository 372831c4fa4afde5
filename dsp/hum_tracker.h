// Follows the mains family through the blocks of a record: its frequency, lines and phases. Part of
// noise_analysis.h.
#pragma once

#include <complex>
#include <optional>
#include <span>
#include <vector>

#include "dsp/mains.h"
#include "dsp/noise_analysis.h"
#include "dsp/noise_blocks.h"
#include "dsp/units.h"

namespace sinewright {

/// Bins on either side that the floor under a line is the median of.
inline constexpr std::size_t kFloorReach = 24;

/// The least probability with which noise alone passes for what is looked for.
inline constexpr double kFalseAlarm = 1e-3;

/// Highest order of the family that is followed.
[[nodiscard]] int highest_hum_order(const NoiseBlocks& blocks, SampleRate fs,
                                    const NoiseSettings& settings, double mains_hz);

/// One line in an averaged spectrum: the power of its main lobe, as wide as the mains wandered,
/// less the floor. A lobe whose power is centred elsewhere is no line of the family.
[[nodiscard]] HumLine measure_hum_line(const NoiseBlocks& blocks, int order, const Mains& mains,
                                       std::span<const double> power,
                                       std::span<const double> floor);

/// What the stretches have said.
struct HumTrack {
  double weight = 0;  ///< blocks in which mains was found
  double sum_hz = 0;
  double variance = 0;
  double lowest_hz = 1e9;
  double highest_hz = 0;
  std::vector<int> reference_order;  ///< for each channel: the lowest order above the noise, or 0
  /// For each channel and order: phasors, less the phase of the reference order's.
  std::vector<std::vector<std::complex<double>>> relative;

  [[nodiscard]] std::optional<Mains> mains() const;
};

/// Gathers blocks into stretches of 4.5 s, and finds mains in each.
class HumTracker {
 public:
  HumTracker(SampleRate fs, std::size_t channels, const NoiseSettings& settings);

  /// Adds the low end of the block that `blocks` took last.
  void add(LowSpectrum low, const NoiseBlocks& blocks);

  /// The stretches so far, with the one under way.
  [[nodiscard]] HumTrack track(const NoiseBlocks& blocks) const;

 private:
  using Stretch = std::span<const LowSpectrum>;
  [[nodiscard]] std::vector<SpectralLine> telling_lines(std::span<const double> power,
                                                        double averaged,
                                                        const NoiseBlocks& blocks) const;
  [[nodiscard]] std::optional<double> search(Stretch of, const NoiseBlocks& blocks) const;
  [[nodiscard]] std::vector<FamilyLine> steering_lines(double mains_hz, Stretch of,
                                                       const NoiseBlocks& blocks) const;
  void close_stretch(Stretch of, double weight, const NoiseBlocks& blocks, HumTrack& into) const;
  void gather_phases(Stretch of, double mains_hz, std::span<const FamilyLine> lines,
                     const NoiseBlocks& blocks, HumTrack& into) const;

  SampleRate fs_;
  std::size_t channels_;
  NoiseSettings settings_;
  std::vector<LowSpectrum> stretch_;
  std::vector<LowSpectrum> last_stretch_;
  HumTrack track_;
};

}  // namespace sinewright
