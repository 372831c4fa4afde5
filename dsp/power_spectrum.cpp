#include "dsp/power_spectrum.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

std::size_t block_length(SampleRate fs, double resolution_hz) {
  const auto is_usable = [](double value) { return std::isfinite(value) && value > 0; };
  if (!is_usable(fs.hz) || !is_usable(resolution_hz)) {
    throw std::invalid_argument(
        "PowerSpectrum: rate and resolution must be positive and finite, got " +
        std::to_string(fs.hz) + " and " + std::to_string(resolution_hz) + " Hz");
  }
  const double frames = std::ceil(fs.hz / resolution_hz * (1 - 1e-12));
  if (!(frames >= 16 && frames <= 67108864.0)) {
    throw std::invalid_argument("PowerSpectrum: a resolution of " + std::to_string(resolution_hz) +
                                " Hz makes blocks of " + std::to_string(frames) +
                                " frames; 16 to 2^26 are possible");
  }
  return good_fft_length(static_cast<std::size_t>(frames));
}

std::size_t checked_channels(int channels) {
  if (channels == 1 || channels == 2) return static_cast<std::size_t>(channels);
  throw std::invalid_argument("PowerSpectrum: 1 or 2 channels, got " + std::to_string(channels));
}

std::size_t hop_length(std::size_t block, double overlap) {
  if (!(overlap >= 0 && overlap <= 0.9)) {
    throw std::invalid_argument("PowerSpectrum: overlap must be 0 to 0.9, got " +
                                std::to_string(overlap));
  }
  return std::max<std::size_t>(
      1, static_cast<std::size_t>(std::lround(static_cast<double>(block) * (1 - overlap))));
}

}  // namespace

PowerSpectrum::PowerSpectrum(SampleRate fs, int channels, const SpectrumSettings& settings)
    : fs_(fs),
      channels_(checked_channels(channels)),
      window_(make_window(settings.window, block_length(fs, settings.resolution_hz))),
      hop_(hop_length(window_.size(), settings.overlap)),
      fft_(window_.size()),
      packed_(window_.size()),
      transformed_(window_.size()),
      sums_(channels_, std::vector<double>(window_.size() / 2 + 1, 0.0)) {
  double power = 0;
  for (const double w : window_) power += w * w;
  scale_ = 1 / (static_cast<double>(window_.size()) * power);
  held_.reserve(window_.size() * channels_);
}

void PowerSpectrum::push(std::span<const double> frames) {
  if (frames.size() % channels_ != 0) {
    throw std::invalid_argument("PowerSpectrum: " + std::to_string(frames.size()) +
                                " samples are no whole frames of " + std::to_string(channels_));
  }
  const std::size_t full = window_.size() * channels_;
  while (!frames.empty()) {
    const std::size_t count = std::min(frames.size(), full - held_.size());
    held_.insert(held_.end(), frames.begin(), frames.begin() + static_cast<std::ptrdiff_t>(count));
    frames = frames.subspan(count);
    if (held_.size() == full) {
      add_block();
      held_.erase(held_.begin(), held_.begin() + static_cast<std::ptrdiff_t>(hop_ * channels_));
    }
  }
}

void PowerSpectrum::add_block() {
  const std::size_t n = window_.size();
  for (std::size_t i = 0; i < n; ++i) {
    packed_[i] = channels_ == 1 ? std::complex<double>(window_[i] * held_[i])
                                : std::complex<double>(window_[i] * held_[2 * i],
                                                       window_[i] * held_[2 * i + 1]);
  }
  fft_.transform(packed_, transformed_);
  for (std::size_t m = 0; m <= n / 2; ++m) {
    const BinPair bins = split_bins(transformed_, m);
    sums_[0][m] += std::norm(bins.a);
    if (channels_ == 2) sums_[1][m] += std::norm(bins.b);
  }
  ++blocks_;
}

void PowerSpectrum::require_channel(int channel) const {
  if (channel >= 0 && static_cast<std::size_t>(channel) < channels_) return;
  throw std::invalid_argument("PowerSpectrum: no channel " + std::to_string(channel));
}

std::vector<double> PowerSpectrum::mean_square(int channel) const {
  require_channel(channel);
  std::vector<double> power = sums_[static_cast<std::size_t>(channel)];
  if (blocks_ == 0) return power;
  // Negative frequencies are counted with their positive twins; bins 0 and n/2 have none.
  const double one_sided = 2 * scale_ / static_cast<double>(blocks_);
  for (double& p : power) p *= one_sided;
  power.front() /= 2;
  power.back() /= 2;
  return power;
}

std::vector<double> PowerSpectrum::density_per_hz(int channel) const {
  std::vector<double> density = mean_square(channel);
  const double per_hz = 1 / bin_hz();
  for (double& d : density) d *= per_hz;
  // Bins 0 and n/2 are half as wide as the others.
  density.front() *= 2;
  density.back() *= 2;
  return density;
}

double PowerSpectrum::band_power(int channel, double low_hz, double high_hz,
                                 Weighting weighting) const {
  if (!(low_hz <= high_hz)) {
    throw std::invalid_argument("PowerSpectrum: band from " + std::to_string(low_hz) + " to " +
                                std::to_string(high_hz) + " Hz is empty");
  }
  const std::vector<double> power = mean_square(channel);
  double sum = 0;
  for (std::size_t m = 0; m < power.size(); ++m) {
    const double centre_hz = static_cast<double>(m) * bin_hz();
    const double from_hz = std::max(0.0, centre_hz - bin_hz() / 2);
    const double to_hz = std::min(fs_.hz / 2, centre_hz + bin_hz() / 2);
    const double inside_hz = std::min(to_hz, high_hz) - std::max(from_hz, low_hz);
    if (inside_hz <= 0) continue;
    const double gain = weighting_gain(weighting, {centre_hz});
    sum += power[m] * gain * gain * (inside_hz / (to_hz - from_hz));
  }
  return sum;
}

}  // namespace sinewright
