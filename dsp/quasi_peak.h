// The quasi-peak noise meter of ITU-R BS.468-4: weighting network and detector.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "dsp/fft.h"
#include "dsp/units.h"

namespace sinewright {

/// Two peak rectifiers in series, each with its own charge and discharge time.
///
/// The Recommendation gives no time constants, only what tone bursts must read. These meet all
/// eleven of its windows; they were fitted to them and are not unique.
class QuasiPeakDetector {
 public:
  explicit QuasiPeakDetector(double sample_rate_hz);

  /// Takes the next sample, of either sign; returns the indication, uncalibrated.
  double step(double sample);
  void reset() { first_ = second_ = 0; }

 private:
  double charge_1_, discharge_1_, charge_2_, discharge_2_;
  double first_ = 0;
  double second_ = 0;
};

/// Reads samples as the meter of BS.468-4 does, continuously.
///
/// The network is applied in the frequency domain, exact in amplitude and phase up to 0.9 fs/2 and
/// faded out from there; the same step interpolates to 170 kHz or more, or the detector would miss
/// the peaks between samples.
class QuasiPeakMeter {
 public:
  /// Throws std::invalid_argument unless fs is finite and 32 kHz or more.
  explicit QuasiPeakMeter(SampleRate fs);

  /// Takes the next samples of one channel, any number. They show up to lag_s() later in the
  /// reading.
  void push(std::span<const double> samples);

  /// Present indication in the unit of the samples: a continuous 1 kHz sine reads its RMS. Settles
  /// within about a second.
  [[nodiscard]] double reading() const { return reading_; }
  /// Highest indication since the start or reset(): what an isolated burst reads.
  [[nodiscard]] double highest_reading() const { return highest_reading_; }

  /// Time after which a sample is certain to have been through the detector.
  [[nodiscard]] double lag_s() const;

  void reset();

 private:
  void process_block();

  double fs_hz_;
  std::size_t oversampling_;
  std::size_t taps_;   ///< length of the network's impulse response, in input samples
  std::size_t block_;  ///< length of the forward transform; block_ - taps_ samples are new
  RealFft forward_;
  ComplexFft inverse_;
  QuasiPeakDetector detector_;
  double scale_;  ///< of the indication to RMS
  std::vector<std::complex<double>> network_;
  std::vector<double> input_;
  std::size_t filled_;
  std::vector<std::complex<double>> spectrum_, wide_spectrum_, output_;
  double reading_ = 0;
  double highest_reading_ = 0;
};

}  // namespace sinewright
