// Fits one tone, with slow drift of level and phase, to a block of samples.
#pragma once

#include <Eigen/Dense>
#include <array>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/units.h"

namespace sinewright {

inline constexpr int kDriftTerms = 3;

/// A tone over a block of N samples:
///   x[n] = Re( (c0 + c1 t + c2 t^2) exp(j w (n - N/2)) ) + offset,  t = (n - N/2) / (N/2),
/// with w the basis frequency of the fitter that made it. The quadratic terms take up linear drift
/// of frequency and curved drift of level: a pure sine leaves a floor of -50 dB after 10 s of
/// 0.01 dB/s.
struct ToneFit {
  std::array<std::complex<double>, kDriftTerms> terms{};  ///< c0 is the peak phasor at mid-block
  double offset = 0;                                      ///< mean value beside the tone
  double frequency_hz = 0;  ///< at mid-block, from c1: finer than the basis frequency
  double level_drift_db_per_s = 0;
  double frequency_drift_hz_per_s = 0;
};

/// A further component that the fit must not mistake for the tone: peak phasor at mid-block.
struct HarmonicPhasor {
  int order;
  std::complex<double> phasor;
};

/// Weighted sums of a block against the basis.
struct ToneMoments {
  std::array<std::complex<double>, kDriftTerms> projections{};  ///< sum of v x t^m exp(j w (n-N/2))
  double sum = 0;                                               ///< sum of v x
};

/// The machinery for blocks of one length at one basis frequency. Phases come from the integer
/// phase (phase.h), so the basis is exact to the last digit however long the block.
class ToneFitter {
 public:
  /// Blocks of `window.size()` samples (even, 16 or more), weighted by `window`, a cosine-sum
  /// window of `coefficients` (window.h). Throws std::invalid_argument otherwise.
  ToneFitter(SampleRate fs, std::span<const double> window, std::span<const double> coefficients);

  [[nodiscard]] SampleRate sample_rate() const { return fs_; }
  [[nodiscard]] std::size_t block_length() const { return window_.size(); }
  [[nodiscard]] double basis_frequency_hz() const { return frequency_hz_; }

  /// Sets the basis. The tone must lie within a fraction of a bin, fs / N, for the drift terms to
  /// take up what is left; and five bins or more from 0 Hz and fs/2.
  /// Throws std::invalid_argument for a frequency outside (0, fs/2).
  void set_frequency(Hertz frequency);

  /// Sums of `samples` with the window as weight, and with equal weights.
  struct BothMoments {
    ToneMoments windowed;
    ToneMoments flat;
  };
  [[nodiscard]] BothMoments moments(std::span<const double> samples) const;

  /// Least squares with the window as weight: harmonics and hum five bins away or more do not
  /// disturb it. For subtracting the tone.
  [[nodiscard]] ToneFit fit_windowed(const ToneMoments& windowed) const;

  /// Least squares with equal weights, jointly with `harmonics` (their share is taken out of the
  /// sums in closed form): reaches the Cramér-Rao bound in white noise. For the figures.
  [[nodiscard]] ToneFit fit_flat(const ToneMoments& flat,
                                 std::span<const HarmonicPhasor> harmonics) const;

  /// residual = samples - model of `fit`, which must stem from this fitter and basis.
  void subtract(std::span<const double> samples, const ToneFit& fit,
                std::span<double> residual) const;

 private:
  [[nodiscard]] ToneFit fit(const ToneMoments& sums, const Eigen::Matrix<double, 7, 7>& gram) const;

  SampleRate fs_;
  std::vector<double> window_;
  std::vector<double> coefficients_;
  std::array<double, 5> window_powers_{};  ///< sum of v t^p
  std::array<double, 5> flat_powers_{};    ///< sum of t^p
  double frequency_hz_ = 0;
  std::uint64_t step_ = 0;
  Eigen::Matrix<double, Eigen::Dynamic, 6> table_;  ///< cos, sin of one stretch, times 1, u, u^2
  std::vector<std::complex<double>> starts_;        ///< phasor at the start of each stretch
  Eigen::Matrix<double, 7, 7> windowed_gram_;
  Eigen::Matrix<double, 7, 7> flat_gram_;
};

/// Moves the basis of `fitter` to the tone in `samples`: from `guess`, within half a bin fs / (2
/// N), until the fit asks for no more shift or noise keeps it from settling further.
void settle_frequency(ToneFitter& fitter, std::span<const double> samples, Hertz guess);

}  // namespace sinewright
