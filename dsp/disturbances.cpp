#include "dsp/disturbances.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>

namespace sinewright {
namespace {

// The length of the longest run of one value within [begin, end).
std::size_t longest_hold(std::span<const double> x, std::size_t begin, std::size_t end) {
  std::size_t longest = 1;
  std::size_t run = 1;
  for (std::size_t i = begin + 1; i < end; ++i) {
    run = x[i] == x[i - 1] ? run + 1 : 1;
    longest = std::max(longest, run);
  }
  return longest;
}

}  // namespace

std::vector<Disturbance> find_disturbances(std::span<const double> samples,
                                           std::span<const double> residual, double period_frames,
                                           double tone_amplitude) {
  constexpr double kStandsOut = 2.4;
  const auto dropout_frames = static_cast<std::size_t>(std::max(5.0, period_frames / 20));
  const auto stretch =
      static_cast<std::size_t>(std::max(256.0, std::ceil(std::max(1.0, period_frames))));
  const std::size_t count = residual.size() / stretch;
  std::vector<Disturbance> found;
  if (count < 4) return found;

  std::vector<double> heights(count);
  for (std::size_t i = 0; i < count; ++i) {
    const Eigen::Map<const Eigen::ArrayXd> r(residual.data() + i * stretch,
                                             static_cast<Eigen::Index>(stretch));
    heights[i] = r.abs().maxCoeff();
  }
  std::vector<double> sorted = heights;
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(count / 2);
  std::nth_element(sorted.begin(), middle, sorted.end());
  const double threshold = std::max(kStandsOut * *middle, 1e-6 * tone_amplitude);
  for (std::size_t i = 0; i < count; ++i) {
    if (heights[i] <= threshold) continue;
    const auto begin = residual.begin() + static_cast<std::ptrdiff_t>(i * stretch);
    const auto top = std::max_element(begin, begin + static_cast<std::ptrdiff_t>(stretch),
                                      [](double a, double b) { return std::abs(a) < std::abs(b); });
    const auto frame = static_cast<std::size_t>(top - residual.begin());
    const std::size_t from = frame < stretch ? 0 : frame - stretch;
    const std::size_t to = std::min(samples.size(), frame + stretch);
    const bool holds = longest_hold(samples, from, to) >= dropout_frames;
    found.push_back({holds ? Disturbance::Kind::kDropout : Disturbance::Kind::kClick,
                     static_cast<std::int64_t>(frame), heights[i]});
  }
  return found;
}

}  // namespace sinewright
