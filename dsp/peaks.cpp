#include "dsp/peaks.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr int kHalfTaps = 16;

// Band-limited interpolation at `position`, with a Hann-windowed sinc.
double interpolate(std::span<const double> x, double position) {
  const auto centre = static_cast<std::ptrdiff_t>(std::floor(position));
  double sum = 0;
  double gain = 0;
  for (std::ptrdiff_t i = centre - kHalfTaps + 1; i <= centre + kHalfTaps; ++i) {
    if (i < 0 || i >= static_cast<std::ptrdiff_t>(x.size())) continue;
    const double distance = position - static_cast<double>(i);
    const double angle = std::numbers::pi * distance;
    const double tap = (std::abs(distance) < 1e-12 ? 1 : std::sin(angle) / angle) *
                       (0.5 + 0.5 * std::cos(angle / kHalfTaps));
    sum += tap * x[static_cast<std::size_t>(i)];
    gain += tap;
  }
  return std::abs(gain) > 0.5 ? sum / gain : 0;
}

// The extreme around sample `at`, in the direction of `sign`: where the samples straddle the peak
// (a tone of fs/4 may miss it by 3 dB) the interpolated curve still reaches it.
double extreme_around(std::span<const double> x, std::size_t at, double sign) {
  constexpr int kSteps = 16;
  double best = x[at];
  double best_position = static_cast<double>(at);
  for (int i = -kSteps; i <= kSteps; ++i) {
    const double position = static_cast<double>(at) + static_cast<double>(i) / kSteps;
    const double value = interpolate(x, position);
    if (sign * value > sign * best) {
      best = value;
      best_position = position;
    }
  }
  // A parabola through the best and its neighbours finishes what the grid left.
  const double h = 1.0 / kSteps;
  const double before = interpolate(x, best_position - h);
  const double after = interpolate(x, best_position + h);
  const double bend = before - 2 * best + after;
  if (sign * bend < 0) {
    const double refined = best - (after - before) * (after - before) / (8 * bend);
    if (sign * refined > sign * best && std::abs(refined - best) < 0.01 * std::abs(best)) {
      best = refined;
    }
  }
  return best;
}

bool dwells(std::span<const double> x, double extreme, double sign, double share) {
  const double threshold = sign * extreme * (1 - share);
  const Eigen::Map<const Eigen::ArrayXd> samples(x.data(), static_cast<Eigen::Index>(x.size()));
  const auto count = static_cast<double>((samples * sign > threshold).count());
  const double expected = std::acos(1 - share) / std::numbers::pi * static_cast<double>(x.size());
  return count > 16 && count > 1.8 * expected;
}

std::int64_t count_full_scale_runs(std::span<const double> x) {
  // Within one 16-bit step of full scale: a converter's or a file's last code, of whatever depth.
  constexpr double full_scale = 1 - 1.0 / 32768 - 1e-9;
  std::int64_t runs = 0;
  for (std::size_t i = 1; i < x.size(); ++i) {
    const bool here = std::abs(x[i]) >= full_scale;
    const bool before = std::abs(x[i - 1]) >= full_scale;
    const bool earlier = i >= 2 && std::abs(x[i - 2]) >= full_scale;
    if (here && before && !earlier && x[i] == x[i - 1]) ++runs;
  }
  return runs;
}

}  // namespace

PeakFigures find_peaks(std::span<const double> samples, double tone_rms, double noise_rms) {
  PeakFigures figures;
  if (samples.empty()) return figures;
  const Eigen::Map<const Eigen::ArrayXd> x(samples.data(),
                                           static_cast<Eigen::Index>(samples.size()));
  Eigen::Index highest = 0;
  Eigen::Index lowest = 0;
  const double max = x.maxCoeff(&highest);
  const double min = x.minCoeff(&lowest);
  figures.positive = extreme_around(samples, static_cast<std::size_t>(highest), 1);
  figures.negative = extreme_around(samples, static_cast<std::size_t>(lowest), -1);
  if (std::max(max, -min) >= 1 - 1.0 / 32768 - 1e-9) {
    figures.full_scale_runs = count_full_scale_runs(samples);
  }
  const double peak = tone_rms * std::numbers::sqrt2;
  if (peak > 0) {
    const double share = std::max(0.002, 4 * noise_rms / peak);
    // Too noisy to tell a flat top from a round one.
    if (share < 0.05 && max > 0 && min < 0) {
      figures.has_flat_tops = dwells(samples, max, 1, share) || dwells(samples, min, -1, share);
    }
  }
  return figures;
}

void merge(PeakFigures& into, const PeakFigures& other) {
  into.positive = std::max(into.positive, other.positive);
  into.negative = std::min(into.negative, other.negative);
  into.has_flat_tops = into.has_flat_tops || other.has_flat_tops;
  into.full_scale_runs += other.full_scale_runs;
}

}  // namespace sinewright
