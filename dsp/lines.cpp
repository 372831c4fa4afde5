#include "dsp/lines.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "dsp/window.h"

namespace sinewright {
namespace {

// Two-sided Fourier coefficients of the squared window, referred to its middle: lag 0, 1, ...
std::vector<double> squared_window_coefficients(std::span<const double> a) {
  const int terms = static_cast<int>(a.size());
  const auto two_sided = [&](int k) {
    const int i = std::abs(k);
    if (i >= terms) return 0.0;
    return i == 0 ? a[0] : a[i] / 2;
  };
  std::vector<double> squared(2 * terms - 1, 0.0);
  for (int lag = 0; lag < 2 * terms - 1; ++lag) {
    for (int k = -terms; k <= terms; ++k) squared[lag] += two_sided(k) * two_sided(lag - k);
  }
  return squared;
}

}  // namespace

double power_per_bin(std::span<const double> coefficients, std::size_t n) {
  const auto n_samples = static_cast<double>(n);
  return 2 / (n_samples * n_samples * squared_window_coefficients(coefficients)[0]);
}

LineFitter::LineFitter(std::span<const double> coefficients, std::size_t n,
                       std::vector<double> bins)
    : n_(n) {
  const auto half_width = static_cast<double>(coefficients.size());
  const auto last_bin = static_cast<double>(n / 2);
  const std::vector<double> squared = squared_window_coefficients(coefficients);
  const auto correlation = [&](std::size_t lag) { return lag < squared.size() ? squared[lag] : 0; };

  lines_.reserve(bins.size());
  for (std::size_t i = 0; i < bins.size(); ++i) {
    const double centre = bins[i];
    if (!(centre >= 0 && centre <= last_bin) || (i > 0 && centre <= bins[i - 1])) {
      throw std::invalid_argument("LineFitter: bins must ascend within 0 to n/2");
    }
    if (i > 0 && centre - bins[i - 1] < 2 * half_width) overlap_ = true;
    Line line;
    line.first_bin = static_cast<std::size_t>(std::max(0.0, std::ceil(centre - half_width)));
    const auto end =
        static_cast<std::size_t>(std::min(last_bin, std::floor(centre + half_width))) + 1;
    line.kernel_power = 0;
    for (std::size_t m = line.first_bin; m < end; ++m) {
      line.kernel.push_back(window_kernel(coefficients, static_cast<double>(m) - centre));
      line.kernel_power += line.kernel.back() * line.kernel.back();
    }

    // White noise of unit density has covariance `correlation(m - m')` between bins. After taking
    // out the projection on the kernel k: var = C_mm - 2 k_m (C k)_m / k'k + k_m^2 k'C k / (k'k)^2.
    const std::size_t size = line.kernel.size();
    std::vector<double> spread(size, 0.0);
    double through = 0;
    for (std::size_t p = 0; p < size; ++p) {
      for (std::size_t q = 0; q < size; ++q) {
        spread[p] += correlation(p > q ? p - q : q - p) * line.kernel[q];
      }
      through += line.kernel[p] * spread[p];
    }
    for (std::size_t p = 0; p < size; ++p) {
      const double k = line.kernel[p] / line.kernel_power;
      const double left = squared[0] - 2 * k * spread[p] + k * k * through;
      line.restoration.push_back(squared[0] / std::max(left, 0.05 * squared[0]));
    }
    const auto n_samples = static_cast<double>(n);
    line.noise_gain =
        4 * through / (line.kernel_power * line.kernel_power * n_samples * n_samples * squared[0]);
    lines_.push_back(std::move(line));
  }
}

// X[m] = phasor n/2 (-1)^m k[m]: the sign moves the phase from sample 0 to the middle.
std::complex<double> LineFitter::projection(const Line& line,
                                            std::span<const std::complex<double>> spectrum) const {
  std::complex<double> sum = 0;
  double sign = line.first_bin % 2 == 0 ? 1 : -1;
  for (std::size_t i = 0; i < line.kernel.size(); ++i, sign = -sign) {
    sum += sign * line.kernel[i] * spectrum[line.first_bin + i];
  }
  return sum * (2 / (static_cast<double>(n_) * line.kernel_power));
}

void LineFitter::subtract(const Line& line, std::complex<double> phasor,
                          std::span<std::complex<double>> spectrum) const {
  const std::complex<double> scaled = phasor * (static_cast<double>(n_) / 2);
  double sign = line.first_bin % 2 == 0 ? 1 : -1;
  for (std::size_t i = 0; i < line.kernel.size(); ++i, sign = -sign) {
    spectrum[line.first_bin + i] -= sign * line.kernel[i] * scaled;
  }
}

std::vector<std::complex<double>> LineFitter::take_out(
    std::span<std::complex<double>> spectrum) const {
  if (spectrum.size() != n_ / 2 + 1) {
    throw std::invalid_argument("LineFitter: the spectrum must have n/2 + 1 bins");
  }
  // Neighbours five bins apart or more couple by less than -49 dB, so each round gains two digits.
  const int rounds = overlap_ ? 8 : 1;
  std::vector<std::complex<double>> phasors(lines_.size(), 0.0);
  for (int round = 0; round < rounds; ++round) {
    for (std::size_t i = 0; i < lines_.size(); ++i) {
      const std::complex<double> more = projection(lines_[i], spectrum);
      phasors[i] += more;
      subtract(lines_[i], more, spectrum);
    }
  }
  return phasors;
}

void LineFitter::restore_noise(std::span<double> power) const {
  for (const Line& line : lines_) {
    for (std::size_t i = 0; i < line.restoration.size(); ++i) {
      power[line.first_bin + i] *= line.restoration[i];
    }
  }
}

}  // namespace sinewright
