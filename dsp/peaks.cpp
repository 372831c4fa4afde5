#include "dsp/peaks.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr int kHalfTaps = 16;
// Within one 16-bit step of full scale: a converter's or a file's last code, of whatever depth.
constexpr double kFullScale = 1 - 1.0 / 32768 - 1e-9;

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

// Whether the samples stay within `share` of their extreme for much longer than the tone does of
// its own. `sign`: which extreme.
bool dwells(std::span<const double> x, std::span<const double> residual, double extreme,
            double sign, double share) {
  double tone_extreme = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    tone_extreme = std::max(tone_extreme, sign * (x[i] - residual[i]));
  }
  const double threshold = sign * extreme * (1 - share);
  const double tone_threshold = tone_extreme * (1 - share);
  std::int64_t count = 0;
  std::int64_t expected = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    count += static_cast<std::int64_t>(sign * x[i] > threshold);
    expected += static_cast<std::int64_t>(sign * (x[i] - residual[i]) > tone_threshold);
  }
  return count > expected + 16 && static_cast<double>(count) > 1.8 * static_cast<double>(expected);
}

std::int64_t count_full_scale_runs(std::span<const double> x) {
  std::int64_t runs = 0;
  for (std::size_t i = 1; i < x.size(); ++i) {
    const bool here = std::abs(x[i]) >= kFullScale;
    const bool before = std::abs(x[i - 1]) >= kFullScale;
    const bool earlier = i >= 2 && std::abs(x[i - 2]) >= kFullScale;
    if (here && before && !earlier && x[i] == x[i - 1]) ++runs;
  }
  return runs;
}

}  // namespace

void update_peaks(PeakFigures& figures, std::span<const double> samples,
                  std::span<const double> residual, double noise_rms) {
  if (samples.empty()) return;
  const Eigen::Map<const Eigen::ArrayXd> x(samples.data(),
                                           static_cast<Eigen::Index>(samples.size()));
  const double max = x.maxCoeff();
  const double min = x.minCoeff();
  if (std::max(max, -min) >= kFullScale) figures.full_scale_runs += count_full_scale_runs(samples);

  // What lies between samples adds 3 dB at the most, of a tone at a quarter of the rate.
  // Of equal samples one with room for the whole sinc around it is taken.
  const auto index_of = [&](double value) {
    const std::size_t margin = samples.size() > 4 * kHalfTaps ? kHalfTaps : 0;
    const auto inner = samples.subspan(margin, samples.size() - 2 * margin);
    const double near = value - 1e-9 * std::abs(value);
    const double far = value + 1e-9 * std::abs(value);
    const auto found =
        std::find_if(inner.begin(), inner.end(), [&](double v) { return v >= near && v <= far; });
    if (found != inner.end()) return margin + static_cast<std::size_t>(found - inner.begin());
    return static_cast<std::size_t>(std::find(samples.begin(), samples.end(), value) -
                                    samples.begin());
  };
  const bool is_higher = max > figures.positive;
  const bool is_lower = min < figures.negative;
  // A tone that dwells does so in every block: the first, and any that goes well beyond it, tell.
  const bool is_new = max > 1.001 * figures.positive || min < 1.001 * figures.negative;
  if (is_higher) {
    figures.positive = std::max(figures.positive, extreme_around(samples, index_of(max), 1));
  }
  if (is_lower) {
    figures.negative = std::min(figures.negative, extreme_around(samples, index_of(min), -1));
  }
  if (figures.has_flat_tops || !is_new || !(max > 0 && min < 0)) return;
  const double share = std::max(0.002, 4 * noise_rms / std::min(max, -min));
  if (share >= 0.05) return;  // too noisy to tell a flat top from a round one
  figures.has_flat_tops =
      dwells(samples, residual, max, 1, share) || dwells(samples, residual, min, -1, share);
}

}  // namespace sinewright
