#include "dsp/spectral_lines.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

// Upper quantile of the normal law, by bisection of its tail.
double normal_quantile_of_tail(double tail) {
  double low = 0;
  double high = 9;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2;
    (0.5 * std::erfc(middle / std::sqrt(2.0)) > tail ? low : high) = middle;
  }
  return low;
}

// Mean of the bins at distance `from` to `to` on one side; 0 when they lie outside.
double flank(std::span<const double> power, std::size_t centre, std::ptrdiff_t from,
             std::ptrdiff_t to) {
  double sum = 0;
  double count = 0;
  for (std::ptrdiff_t d = from; d <= to; ++d) {
    const std::ptrdiff_t m = static_cast<std::ptrdiff_t>(centre) + d;
    if (m < 0 || m >= static_cast<std::ptrdiff_t>(power.size())) continue;
    sum += power[static_cast<std::size_t>(m)];
    ++count;
  }
  return count > 0 ? sum / count : 0;
}

SpectralLine line_at(std::span<const double> power, double floor, std::size_t peak,
                     std::size_t half_lobe, double blocks) {
  const std::size_t begin = peak - std::min(peak, half_lobe);
  const std::size_t end = std::min(power.size(), peak + half_lobe + 1);
  double sum = 0;
  double moment = 0;
  double squares = 0;
  for (std::size_t m = begin; m < end; ++m) {
    const double offset = static_cast<double>(m) - static_cast<double>(peak);
    const double above = power[m] - floor;
    sum += above;
    moment += offset * above;
    squares += offset * offset;
  }
  SpectralLine line{static_cast<double>(peak), 1, std::max(sum, 0.0), 0};
  if (!(sum > 0) || !(floor > 0)) {
    // Without noise the centre of power is exact.
    if (sum > 0) line = {line.bin + moment / sum, 1e-3, sum, 1e30};
    return line;
  }
  line.over_floor = sum / floor;
  line.bin += std::clamp(moment / sum, -1.0, 1.0);
  line.bin_deviation = std::min(1.0, std::sqrt(squares / blocks) / line.over_floor +
                                         0.7 / std::sqrt(line.over_floor * blocks) + 1e-3);
  return line;
}

}  // namespace

std::vector<double> spectral_floor(std::span<const double> power, std::size_t first,
                                   std::size_t half_width, double blocks) {
  if (first >= power.size()) {
    throw std::invalid_argument("spectral_floor: first bin " + std::to_string(first) +
                                " is beyond the " + std::to_string(power.size()) + " bins");
  }
  // Neighbouring medians share nearly all their bins: every eighth is enough, and eight times
  // quicker.
  constexpr std::size_t kStride = 8;
  const double median_to_mean = std::pow(1 - 1 / (9 * std::max(1.0, blocks)), -3);
  std::vector<double> floor(power.size());
  std::vector<double> near;
  const auto median_around = [&](std::size_t m) {
    // At the edges the window shrinks on both sides, or a slope would tilt it.
    const std::size_t reach =
        std::max<std::size_t>(2, std::min({half_width, m - first, power.size() - 1 - m}));
    const std::size_t begin = m >= first + reach ? m - reach : first;
    const std::size_t end = std::min(power.size(), m + reach + 1);
    near.assign(power.begin() + static_cast<std::ptrdiff_t>(begin),
                power.begin() + static_cast<std::ptrdiff_t>(end));
    const auto middle = near.begin() + static_cast<std::ptrdiff_t>(near.size() / 2);
    std::nth_element(near.begin(), middle, near.end());
    return *middle * median_to_mean;
  };
  std::size_t left = first;
  double left_value = median_around(left);
  std::fill(floor.begin(), floor.begin() + static_cast<std::ptrdiff_t>(first + 1), left_value);
  while (left + 1 < power.size()) {
    const std::size_t right = std::min(left + kStride, power.size() - 1);
    const double right_value = median_around(right);
    for (std::size_t m = left + 1; m <= right; ++m) {
      const double share = static_cast<double>(m - left) / static_cast<double>(right - left);
      floor[m] = left_value + share * (right_value - left_value);
    }
    left = right;
    left_value = right_value;
  }
  return floor;
}

double line_threshold(double blocks, double false_alarm) {
  const double spread = 1 / (9 * std::max(1.0, blocks));
  const double quantile = normal_quantile_of_tail(std::clamp(false_alarm, 1e-12, 0.1));
  return std::max(2.0, std::pow(1 - spread + quantile * std::sqrt(spread), 3));
}

std::vector<SpectralLine> find_lines(std::span<const double> power, std::span<const double> floor,
                                     std::size_t first, std::size_t last, std::size_t half_lobe,
                                     double threshold, double blocks) {
  std::vector<SpectralLine> lines;
  const auto lobe = static_cast<std::ptrdiff_t>(half_lobe);
  for (std::size_t m = std::max<std::size_t>(first, 1); m <= last && m + 1 < power.size(); ++m) {
    if (!(power[m] > threshold * floor[m])) continue;
    const std::size_t begin = m - std::min(m, half_lobe);
    const std::size_t end = std::min(power.size(), m + half_lobe + 1);
    const auto highest = std::max_element(power.begin() + static_cast<std::ptrdiff_t>(begin),
                                          power.begin() + static_cast<std::ptrdiff_t>(end));
    if (highest - power.begin() != static_cast<std::ptrdiff_t>(m)) continue;
    // Beside a strong neighbour, its flank is the floor.
    const double beside =
        std::max(flank(power, m, -lobe - 5, -lobe - 1), flank(power, m, lobe + 1, lobe + 5));
    if (power[m] < std::min(threshold, 4.0) * beside) continue;
    lines.push_back(line_at(power, floor[m], m, half_lobe, blocks));
  }
  return lines;
}

}  // namespace sinewright
