#include "dsp/sine_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <complex>
#include <stdexcept>
#include <string>
#include <vector>

#include "dsp/fft.h"
#include "dsp/phase.h"
#include "dsp/window.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

void require_samples(std::span<const double> samples, const char* what) {
  if (samples.size() >= 16) return;
  throw std::invalid_argument(std::string(what) + ": 16 samples or more, got " +
                              std::to_string(samples.size()));
}

void require_frequency(Hertz frequency, SampleRate fs, const char* what) {
  if (frequency.value > 0 && frequency.value < fs.hz / 2) return;
  throw std::invalid_argument(std::string(what) + ": frequency " + std::to_string(frequency.value) +
                              " Hz is outside 0 to " + std::to_string(fs.hz / 2));
}

// Hann-weighted phasor of `samples` at `step`, phase referred to their first sample.
Complex hann_phasor(std::span<const double> samples, std::uint64_t step) {
  const std::size_t n = samples.size();
  const std::uint64_t window_step = phase_step({1}, {static_cast<double>(n)});
  Complex sum = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double weight = 1 - unit_phasor(window_step * i).real();
    sum += weight * samples[i] * std::conj(unit_phasor(step * i));
  }
  return sum;
}

// One Gauss-Newton step: least squares in cos, -sin, 1 and, with `with_frequency`, the derivative
// with respect to the phase turned over half the record.
struct Step {
  Complex phasor;  // at mid-record
  double offset;
  double turn_rad;
};

Step least_squares(std::span<const double> samples, std::uint64_t step, Complex phasor,
                   bool with_frequency) {
  const auto n = static_cast<Eigen::Index>(samples.size());
  const int columns = with_frequency ? 4 : 3;
  Eigen::Matrix4d gram = Eigen::Matrix4d::Zero();
  Eigen::Vector4d right = Eigen::Vector4d::Zero();
  const auto half = static_cast<double>(n) / 2;
  for (Eigen::Index i = 0; i < n; ++i) {
    const Complex unit =
        unit_phasor(step * (static_cast<std::uint64_t>(i) - static_cast<std::uint64_t>(n / 2)));
    const double t = (static_cast<double>(i) - static_cast<double>(n / 2)) / half;
    Eigen::Vector4d row(unit.real(), -unit.imag(), 1, -t * (phasor * unit).imag());
    gram += row * row.transpose();
    right += row * samples[static_cast<std::size_t>(i)];
  }
  Eigen::Vector4d x = Eigen::Vector4d::Zero();
  x.head(columns) = gram.topLeftCorner(columns, columns).ldlt().solve(right.head(columns));
  return {{x(0), x(1)}, x(2), x(3)};
}

SineFit finish(std::span<const double> samples, SampleRate fs, Hertz frequency, const Step& fit) {
  const std::size_t n = samples.size();
  const std::uint64_t step = phase_step(frequency, fs);
  double sum = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const Complex unit = unit_phasor(step * (i - n / 2));
    const double left = samples[i] - (fit.phasor * unit).real() - fit.offset;
    sum += left * left;
  }
  const Complex first = fit.phasor * std::conj(unit_phasor(step * (n / 2)));
  return {std::abs(first), std::arg(first), fit.offset, frequency.value,
          std::sqrt(sum / static_cast<double>(n))};
}

}  // namespace

std::optional<Hertz> find_peak(std::span<const double> samples, SampleRate fs) {
  require_samples(samples, "find_peak");
  const std::size_t n = good_fft_length(samples.size());
  double mean = 0;
  for (int pass = 0; pass < 2; ++pass) {  // the second takes off what rounding left of the first
    double rest = 0;
    for (const double x : samples) rest += x - mean;
    mean += rest / static_cast<double>(samples.size());
  }
  const std::vector<double> window = make_window(WindowKind::kHann, samples.size());
  std::vector<double> windowed(n, 0.0);  // zeros to the next good length
  for (std::size_t i = 0; i < samples.size(); ++i) windowed[i] = window[i] * (samples[i] - mean);
  std::vector<Complex> bins(n / 2 + 1);
  RealFft(n).transform(windowed, bins);

  std::size_t best = 1;
  for (std::size_t m = 1; m + 1 < bins.size(); ++m) {
    if (std::norm(bins[m]) > std::norm(bins[best])) best = m;
  }
  // What rounding leaves of a constant is no line.
  const double rounding = 1e-14 * mean * static_cast<double>(samples.size());
  if (!(std::norm(bins[best]) > rounding * rounding)) return std::nullopt;
  // For a Hann window a line d bins above bin m has |X[m+1]| / |X[m]| = (1 + d) / (2 - d).
  const bool upper = std::abs(bins[best + 1]) > std::abs(bins[best - 1]);
  const double ratio = std::abs(bins[upper ? best + 1 : best - 1]) / std::abs(bins[best]);
  // Bins of the zero-padded transform are narrower than the window's own.
  const double stretch = static_cast<double>(n) / static_cast<double>(samples.size());
  const double offset =
      std::clamp((2 * ratio - 1) / (ratio + 1) * (stretch < 1.2 ? 1 : 0), -0.5, 1.0);
  const double bin = static_cast<double>(best) + (upper ? offset : -offset);
  return Hertz{std::max(bin, 0.25) * fs.hz / static_cast<double>(n)};
}

Hertz refine_frequency(std::span<const double> samples, SampleRate fs, Hertz guess) {
  require_samples(samples, "refine_frequency");
  double frequency = guess.value;
  const std::size_t n = samples.size();
  // Halves of the stretch span eight periods or more, so that neither the offset nor the tone's
  // image disturbs their phases.
  const auto least = static_cast<std::size_t>(16 * fs.hz / guess.value);
  for (std::size_t length = std::max(n / 16, std::min(n, least));; length *= 4) {
    length = std::min(length, n);
    const std::size_t half = length / 2;
    if (half < 8) break;
    const std::uint64_t step = phase_step({frequency}, fs);
    const Complex first = hann_phasor(samples.first(half), step);
    const Complex second = hann_phasor(samples.subspan(half, half), step);
    const Complex turned = second * std::conj(first * unit_phasor(step * half));
    // The second half starts its phase count anew, so the tone itself turns by step * half.
    const double turn_rad = std::arg(turned);
    frequency += turn_rad / kTwoPi * fs.hz / static_cast<double>(half);
    if (!(frequency > 0 && frequency < fs.hz / 2)) return guess;
    if (length == n) break;
  }
  return {frequency};
}

SineFit fit_sine_at(std::span<const double> samples, SampleRate fs, Hertz frequency) {
  require_samples(samples, "fit_sine_at");
  require_frequency(frequency, fs, "fit_sine_at");
  const std::uint64_t step = phase_step(frequency, fs);
  return finish(samples, fs, frequency, least_squares(samples, step, 0, false));
}

std::optional<SineFit> fit_sine(std::span<const double> samples, SampleRate fs, Hertz guess) {
  require_samples(samples, "fit_sine");
  require_frequency(guess, fs, "fit_sine");
  const double half_s = static_cast<double>(samples.size()) / (2 * fs.hz);
  double frequency = guess.value;
  Step fit = least_squares(samples, phase_step({frequency}, fs), 0, false);
  double last_turn = 1e9;
  for (int i = 0; i < 20; ++i) {
    fit = least_squares(samples, phase_step({frequency}, fs), fit.phasor, true);
    if (!(std::abs(fit.phasor) > 0)) return std::nullopt;
    frequency += fit.turn_rad / (kTwoPi * half_s);
    if (!(frequency > 0 && frequency < fs.hz / 2)) return std::nullopt;
    const double turn = std::abs(fit.turn_rad);
    // Settled: below rounding, or no longer shrinking though already tiny.
    if (turn < 1e-12 || (turn < 1e-6 && turn >= 0.5 * last_turn)) {
      const std::uint64_t step = phase_step({frequency}, fs);
      return finish(samples, fs, {frequency}, least_squares(samples, step, 0, false));
    }
    last_turn = turn;
  }
  return std::nullopt;
}

}  // namespace sinewright
