#include "dsp/quasi_peak.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/weighting.h"

namespace sinewright {
namespace {

constexpr double kCharge1S = 1.44e-3;
constexpr double kDischarge1S = 293e-3;
constexpr double kCharge2S = 140e-3;
constexpr double kDischarge2S = 165e-3;

double share_per_sample(double time_constant_s, double fs_hz) {
  return -std::expm1(-1 / (time_constant_s * fs_hz));
}

double checked_rate_hz(SampleRate fs) {
  if (!std::isfinite(fs.hz) || fs.hz < 32000) {
    throw std::invalid_argument("QuasiPeakMeter: fs must be 32000 Hz or more, got " +
                                std::to_string(fs.hz));
  }
  return fs.hz;
}

std::size_t oversampling_of(double fs_hz) {
  constexpr double kDetectorRateHz = 170000;
  return std::bit_ceil(static_cast<std::size_t>(std::ceil(kDetectorRateHz / fs_hz)));
}

/// RMS of a 1 kHz sine over its steady indication. Starts close to the end, so that a second will
/// do.
double calibrate(double detector_rate_hz) {
  QuasiPeakDetector detector(detector_rate_hz);
  const auto steps = static_cast<int>(1.5 * detector_rate_hz);
  double indication = 0;
  for (int n = 0; n < steps; ++n) {
    const bool is_warming_up = n < steps / 3;  // constant 0.96: near what the sine ends at
    indication =
        detector.step(is_warming_up ? 0.96 : std::sin(kTwoPi * 1000 * n / detector_rate_hz));
  }
  return kFullScaleRms / indication;
}

}  // namespace

QuasiPeakDetector::QuasiPeakDetector(double sample_rate_hz)
    : charge_1_(share_per_sample(kCharge1S, sample_rate_hz)),
      discharge_1_(share_per_sample(kDischarge1S, sample_rate_hz)),
      charge_2_(share_per_sample(kCharge2S, sample_rate_hz)),
      discharge_2_(share_per_sample(kDischarge2S, sample_rate_hz)) {}

double QuasiPeakDetector::step(double sample) {
  const double rectified = std::abs(sample);
  // The first rectifier discharges to nothing, the second to the first: discharged to nothing as
  // well, it would read ten bursts a second 2 % too low.
  first_ += rectified > first_ ? charge_1_ * (rectified - first_) : -discharge_1_ * first_;
  second_ += (first_ > second_ ? charge_2_ : discharge_2_) * (first_ - second_);
  return second_;
}

QuasiPeakMeter::QuasiPeakMeter(SampleRate fs)
    : fs_hz_(checked_rate_hz(fs)),
      oversampling_(oversampling_of(fs_hz_)),
      taps_(std::bit_ceil(static_cast<std::size_t>(0.02 * fs_hz_))),
      block_(4 * taps_),
      forward_(block_),
      inverse_(block_ * oversampling_, true),
      detector_(fs_hz_ * static_cast<double>(oversampling_)),
      scale_(calibrate(fs_hz_ * static_cast<double>(oversampling_))),
      network_(block_ / 2 + 1),
      input_(block_),
      filled_(taps_),
      spectrum_(block_ / 2 + 1),
      wide_spectrum_(block_ * oversampling_),
      output_(block_ * oversampling_) {
  const double fade_from_hz = 0.9 * fs_hz_ / 2;
  const double fade_width_hz = fs_hz_ / 2 - fade_from_hz;
  const double middle_s = static_cast<double>(taps_ / 2) / fs_hz_;
  for (std::size_t k = 0; k < network_.size(); ++k) {
    const double f = static_cast<double>(k) * fs_hz_ / static_cast<double>(block_);
    const double faded = std::clamp((f - fade_from_hz) / fade_width_hz, 0.0, 1.0);
    const double fade = 0.5 + 0.5 * std::cos(std::numbers::pi * faded);
    // The fade rings before the response too: half the taps are for that.
    network_[k] = itu_r_468_response(Hertz{f}) * std::polar(fade, -kTwoPi * f * middle_s) /
                  static_cast<double>(block_);
  }
}

void QuasiPeakMeter::push(std::span<const double> samples) {
  while (!samples.empty()) {
    const std::size_t count = std::min(samples.size(), block_ - filled_);
    std::ranges::copy(samples.first(count), input_.begin() + static_cast<std::ptrdiff_t>(filled_));
    filled_ += count;
    samples = samples.subspan(count);
    if (filled_ == block_) process_block();
  }
}

void QuasiPeakMeter::process_block() {
  forward_.transform(input_, spectrum_);
  const std::size_t half = block_ / 2;
  const std::size_t wide = wide_spectrum_.size();
  wide_spectrum_[0] = spectrum_[0] * network_[0];
  for (std::size_t k = 1; k < half; ++k) {  // the bin at fs/2 has faded out
    wide_spectrum_[k] = spectrum_[k] * network_[k];
    wide_spectrum_[wide - k] = std::conj(wide_spectrum_[k]);
  }
  inverse_.transform(wide_spectrum_, output_);
  for (std::size_t n = taps_ * oversampling_; n < wide; ++n) {
    reading_ = scale_ * detector_.step(output_[n].real());
    highest_reading_ = std::max(highest_reading_, reading_);
  }
  std::copy(input_.end() - static_cast<std::ptrdiff_t>(taps_), input_.end(), input_.begin());
  filled_ = taps_;
}

double QuasiPeakMeter::lag_s() const {
  return static_cast<double>(block_ - taps_ + taps_ / 2) / fs_hz_;
}

void QuasiPeakMeter::reset() {
  std::ranges::fill(input_, 0.0);
  filled_ = taps_;
  detector_.reset();
  reading_ = highest_reading_ = 0;
}

}  // namespace sinewright
