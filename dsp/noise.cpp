#include "dsp/noise.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

double checked_rms(const char* name, double rms) {
  if (!std::isfinite(rms) || rms < 0) {
    throw std::invalid_argument(std::string(name) + ": rms must not be negative, got " +
                                std::to_string(rms));
  }
  return rms;
}

std::size_t pink_length(SampleRate fs) {
  if (!std::isfinite(fs.hz) || fs.hz < 1000) {
    throw std::invalid_argument("PinkNoise: fs must be 1000 Hz or more, got " +
                                std::to_string(fs.hz));
  }
  return std::bit_ceil(static_cast<std::size_t>(0.7 * fs.hz));
}

}  // namespace

WhiteNoise::WhiteNoise(double rms, std::uint64_t seed)
    : rms_(checked_rms("WhiteNoise", rms)), random_(seed) {}

void WhiteNoise::fill(std::span<double> frames, int /*channels*/) {
  for (double& sample : frames) sample = rms_ * normal_(random_);
}

PinkNoise::PinkNoise(SampleRate fs, double rms, std::uint64_t seed)
    : length_(pink_length(fs)),
      inverse_(length_, true),
      amplitudes_(length_ / 2 + 1),
      window_(length_),
      random_(seed),
      spectrum_(length_),
      block_(length_) {
  const auto lowest =
      static_cast<std::size_t>(std::ceil(10 * static_cast<double>(length_) / fs.hz));
  double power = 0;  // of the complex block; bins 1 to length/2 - 1 stand for two
  for (std::size_t k = lowest; k < amplitudes_.size(); ++k) {
    amplitudes_[k] = 1 / std::sqrt(static_cast<double>(k));
    power += (2 * k == length_ ? 2.0 : 4.0) * amplitudes_[k] * amplitudes_[k];
  }
  // Real and imaginary part, two channels, have half of the power each.
  const double scale = checked_rms("PinkNoise", rms) / std::sqrt(power / 2);
  for (double& amplitude : amplitudes_) amplitude *= scale;
  for (std::size_t n = 0; n < length_; ++n) {
    window_[n] =
        std::sin(std::numbers::pi * (static_cast<double>(n) + 0.5) / static_cast<double>(length_));
  }
}

void PinkNoise::make_pair(std::size_t first_channel, std::size_t channels) {
  // Positive and negative frequencies independent: then real and imaginary part are independent
  // too.
  for (std::size_t k = 0; k < length_; ++k) {
    const double amplitude = amplitudes_[std::min(k, length_ - k)];
    const double re = normal_(random_);
    spectrum_[k] = amplitude * std::complex<double>(re, normal_(random_));
  }
  inverse_.transform(spectrum_, block_);
  const std::size_t half = length_ / 2;
  for (std::size_t c = first_channel; c < std::min(first_channel + 2, channels); ++c) {
    const auto part = [&](std::size_t n) {
      return window_[n] * (c == first_channel ? block_[n].real() : block_[n].imag());
    };
    for (std::size_t n = 0; n < half; ++n) {
      ready_[n * channels + c] = tails_[c * half + n] + part(n);
      tails_[c * half + n] = part(half + n);
    }
  }
}

void PinkNoise::make_block(int channels) {
  const auto count = static_cast<std::size_t>(channels);
  for (std::size_t c = 0; c < count; c += 2) make_pair(c, count);
  played_ = 0;
}

void PinkNoise::fill(std::span<double> frames, int channels) {
  if (channels < 1 || frames.size() % static_cast<std::size_t>(channels) != 0) {
    throw std::invalid_argument("PinkNoise: " + std::to_string(frames.size()) +
                                " samples are no whole frames of " + std::to_string(channels));
  }
  const std::size_t half = length_ / 2;
  const std::size_t block_samples = half * static_cast<std::size_t>(channels);
  if (tails_.empty()) {
    tails_.resize(block_samples);
    ready_.resize(block_samples);
    make_block(channels);  // fades in; what follows has its full power
    played_ = block_samples;
  }
  if (tails_.size() != block_samples) {
    throw std::invalid_argument("PinkNoise: the number of channels must not change, got " +
                                std::to_string(channels));
  }
  while (!frames.empty()) {
    if (played_ == block_samples) make_block(channels);
    const std::size_t count = std::min(frames.size(), block_samples - played_);
    std::copy_n(ready_.begin() + static_cast<std::ptrdiff_t>(played_), count, frames.begin());
    played_ += count;
    frames = frames.subspan(count);
  }
}

}  // namespace sinewright
