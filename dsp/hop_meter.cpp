#include "dsp/hop_meter.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>

#include "dsp/fft.h"
#include "dsp/phase.h"
#include "dsp/window.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;
using ConstArray = Eigen::Map<const Eigen::ArrayXd>;

ConstArray as_array(std::span<const double> x) {
  return {x.data(), static_cast<Eigen::Index>(x.size())};
}

// The line whose highest bin is `m`, interpolated as for a Hann window.
double interpolated_bin(std::span<const double> power, std::size_t m) {
  const bool upper = power[m + 1] > power[m - 1];
  const double ratio = std::sqrt(power[upper ? m + 1 : m - 1] / power[m]);
  const double offset = std::clamp((2 * ratio - 1) / (ratio + 1), 0.0, 0.5);
  return static_cast<double>(m) + (upper ? offset : -offset);
}

// Power of the line at bin `m` and its main lobe.
double lobe_power(std::span<const double> power, std::size_t m) {
  double sum = 0;
  for (std::size_t i = m - std::min<std::size_t>(m - 1, 2); i <= m + 2 && i < power.size(); ++i) {
    sum += power[i];
  }
  return sum;
}

}  // namespace

ShortSpectrum short_spectrum(std::span<const double> samples, SampleRate fs) {
  const std::size_t n = good_fft_length_below(samples.size());
  std::vector<double> x = make_window(WindowKind::kHann, n);
  const Eigen::Map<Eigen::ArrayXd> windowed(x.data(), static_cast<Eigen::Index>(n));
  Eigen::Map<Eigen::ArrayXd> target(x.data(), static_cast<Eigen::Index>(n));
  const ConstArray y = as_array(samples.first(n));
  const double mean = (y * windowed).sum() / windowed.sum();
  const double weight = windowed.square().sum();
  target = (y - mean) * windowed;
  std::vector<Complex> bins(n / 2 + 1);
  RealFft(n).transform(x, bins);

  std::vector<double> power(bins.size());
  double total = 0;
  for (std::size_t m = 1; m + 1 < bins.size(); ++m) {
    power[m] = std::norm(bins[m]);
    total += power[m];
  }
  ShortSpectrum found;
  found.power = 2 * total / (static_cast<double>(n) * weight);
  if (!(total > 0)) return found;
  const auto peak = [&](std::size_t skip_from, std::size_t skip_to) {
    std::size_t best = 0;
    for (std::size_t m = 1; m + 1 < bins.size(); ++m) {
      if (m >= skip_from && m <= skip_to) continue;
      if (best == 0 || power[m] > power[best]) best = m;
    }
    return best;
  };
  const std::size_t first = peak(bins.size(), bins.size());
  const double bin_hz = fs.hz / static_cast<double>(n);
  found.bin = interpolated_bin(power, first);
  found.frequency_hz = found.bin * bin_hz;
  found.share = lobe_power(power, first) / total;
  const std::size_t second = peak(first - std::min<std::size_t>(first, 4), first + 4);
  if (second > 0) {
    found.second_hz = interpolated_bin(power, second) * bin_hz;
    found.second_share = lobe_power(power, second) / total;
  }
  return found;
}

HopMeter::HopMeter(SampleRate fs, std::size_t frames, std::vector<double> frequencies_hz)
    : frames_(frames),
      frequencies_hz_(std::move(frequencies_hz)),
      hann_(make_window(WindowKind::kHann, frames)),
      weight_(0) {
  for (const double w : hann_) weight_ += w;
  for (const double frequency_hz : frequencies_hz_) {
    const std::uint64_t step = phase_step({frequency_hz}, fs);
    std::vector<double> cosine(frames);
    std::vector<double> sine(frames);
    for (std::size_t i = 0; i < frames; ++i) {
      const Complex unit = unit_phasor(step * i);
      cosine[i] = hann_[i] * unit.real();
      sine[i] = hann_[i] * unit.imag();
    }
    Complex image = 0;
    for (std::size_t i = 0; i < frames; ++i) image += hann_[i] * unit_phasor(2 * step * i);
    image_.push_back(image / weight_);
    Complex direct = 0;
    for (std::size_t i = 0; i < frames; ++i) direct += hann_[i] * unit_phasor(step * i);
    direct_.push_back(direct / weight_);
    steps_.push_back(step);
    cosine_.push_back(std::move(cosine));
    sine_.push_back(std::move(sine));
  }
}

HopMeter::Reading HopMeter::read(std::span<const double> samples, std::int64_t start) const {
  const ConstArray x = as_array(samples);
  const ConstArray hann = as_array(hann_);
  Reading reading;
  double mean = (x * hann).sum() / weight_;
  double left = (x.square() * hann).sum() / weight_;
  for (std::size_t t = 0; t < steps_.size(); ++t) {
    const double in_phase = (x * as_array(cosine_[t])).sum();
    const double quadrature = (x * as_array(sine_[t])).sum();
    // The window passes a little of the tone's own image, which turns with the hop's phase.
    const Complex seen = Complex(in_phase, -quadrature) * (2 / weight_);
    const Complex local =
        (seen - std::conj(seen) * std::conj(image_[t])) / (1 - std::norm(image_[t]));
    reading.phasors.push_back(
        local * std::conj(unit_phasor(steps_[t] * static_cast<std::uint64_t>(start))));
    mean -= (local * direct_[t]).real();
    left -= (std::norm(local) + (local * local * image_[t]).real()) / 2 +
            2 * mean * (local * direct_[t]).real();
  }
  left -= mean * mean;
  reading.residual_ms = std::max(0.0, left);
  return reading;
}

double HopMeter::largest_residual(std::span<const double> samples, std::int64_t start,
                                  const std::vector<Complex>& phasors, double offset) const {
  double largest = 0;
  for (std::size_t i = 0; i < samples.size(); ++i) {
    double left = samples[i] - offset;
    for (std::size_t t = 0; t < steps_.size(); ++t) {
      const auto frame = static_cast<std::uint64_t>(start) + i;
      left -= (phasors[t] * unit_phasor(steps_[t] * frame)).real();
    }
    largest = std::max(largest, std::abs(left));
  }
  return largest;
}

}  // namespace sinewright
