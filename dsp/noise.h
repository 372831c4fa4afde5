// White and pink noise to be played.
#pragma once

#include <complex>
#include <cstddef>
#include <cstdint>
#include <random>
#include <span>
#include <vector>

#include "dsp/fft.h"
#include "dsp/signal.h"
#include "dsp/units.h"

namespace sinewright {

/// White Gaussian noise of a stated RMS, a different sequence on each channel, from a stated seed.
class WhiteNoise final : public Signal {
 public:
  /// Throws std::invalid_argument unless `rms` is finite and not negative.
  WhiteNoise(double rms, std::uint64_t seed);
  void fill(std::span<double> frames, int channels) override;

 private:
  double rms_;
  std::mt19937_64 random_;
  std::normal_distribution<double> normal_;
};

/// Pink Gaussian noise: equal power in every octave from 10 Hz to fs/2, nothing below; a different
/// sequence on each channel, from a stated seed.
///
/// Made from random spectra of power 1/f, transformed to blocks of 0.7 s or more that overlap by
/// half under windows whose squares add up to one. So the slope is exact up to fs/2 at every rate,
/// which filters made of poles do not reach.
class PinkNoise final : public Signal {
 public:
  /// `rms`: of the whole, in samples. Peaks exceed it by 13 dB and more; nothing is clipped here.
  /// Throws std::invalid_argument unless `fs` is finite and 1 kHz or more, and `rms` finite and not
  /// negative.
  PinkNoise(SampleRate fs, double rms, std::uint64_t seed);

  /// Throws std::invalid_argument when `channels` is below 1 or differs from the first call's, or
  /// `frames` does not hold whole frames.
  void fill(std::span<double> frames, int channels) override;

 private:
  void make_block(int channels);
  void make_pair(std::size_t first_channel, std::size_t channels);

  std::size_t length_;
  ComplexFft inverse_;
  std::vector<double> amplitudes_;  ///< standard deviation of each part of bins 0 to length/2
  std::vector<double> window_;
  std::mt19937_64 random_;
  std::normal_distribution<double> normal_;
  std::vector<std::complex<double>> spectrum_, block_;
  std::vector<double> tails_;  ///< second half of the last block, one run per channel
  std::vector<double> ready_;  ///< interleaved frames not yet played
  std::size_t played_ = 0;     ///< samples of `ready_` that have been
};

}  // namespace sinewright
