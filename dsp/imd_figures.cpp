#include "dsp/imd_figures.h"

#include <algorithm>
#include <cmath>
#include <cstdlib>

namespace sinewright {
namespace {

// f1 this much above f2 makes a modulation test; closer than the other, a difference-frequency one.
constexpr double kModulationRatio = 2;
constexpr double kDifferenceRatio = 1.4125;  // 3 dB

int order_of(const ProductOrder& product) { return std::abs(product.k) + std::abs(product.m); }

double frequency_of(const ProductOrder& product, const std::array<double, 2>& tone_hz) {
  return std::abs(product.k * tone_hz[0] + product.m * tone_hz[1]);
}

const MeasuredProduct* find(std::span<const MeasuredProduct> products, int k, int m) {
  for (const MeasuredProduct& product : products) {
    const bool is_same = product.order.k == k && product.order.m == m;
    const bool is_mirror = product.order.k == -k && product.order.m == -m;
    if (is_same || is_mirror) return &product;
  }
  return nullptr;
}

// The phasor as of +k, +m: that of the mirrored orders is its conjugate.
std::complex<double> phasor_as(const MeasuredProduct& product, int k) {
  return product.order.k == k ? product.phasor : std::conj(product.phasor);
}

std::optional<DistortionFigure> arithmetic_sum(const MeasuredProduct* a, const MeasuredProduct* b,
                                               double reference) {
  if (a == nullptr || b == nullptr) return std::nullopt;
  return DistortionFigure{(a->rms + b->rms) / reference,
                          std::hypot(a->deviation, b->deviation) / reference};
}

std::optional<DistortionFigure> demodulated(std::span<const MeasuredProduct> products,
                                            double carrier) {
  double power = 0;
  double weighted_variance = 0;
  double all_variance = 0;
  for (const int n : {1, 2}) {
    const MeasuredProduct* above = find(products, n, 1);
    const MeasuredProduct* below = find(products, -n, 1);
    if (above == nullptr || below == nullptr) return std::nullopt;
    const std::complex<double> depth = phasor_as(*above, n) + std::conj(phasor_as(*below, -n));
    // Each deviation is that of a magnitude: half of the phasor's mean square error.
    const double variance =
        above->deviation * above->deviation + below->deviation * below->deviation;
    const double depth_power = std::max(0.0, std::norm(depth) - 2 * variance);
    power += depth_power;
    weighted_variance += depth_power * variance;
    all_variance += variance;
  }
  const double ratio = std::sqrt(power) / carrier;
  const double deviation =
      (power > 0 ? std::sqrt(weighted_variance / power) : std::sqrt(all_variance)) / carrier;
  return DistortionFigure{ratio, deviation};
}

}  // namespace

std::vector<ProductOrder> product_orders(const std::array<double, 2>& tone_hz, SampleRate fs,
                                         const Band& band, double bin_hz) {
  std::vector<ProductOrder> candidates;
  for (int k = 0; k <= kHighestProductOrder; ++k) {
    for (int m = -kHighestProductOrder; m <= kHighestProductOrder; ++m) {
      const int order = k + std::abs(m);
      if (order < 2 || order > kHighestProductOrder || (k == 0 && m < 0)) continue;
      // Written with f2 positive, as sidebands of f2 are: (-1, 1) is f2 - f1.
      candidates.push_back(m < 0 ? ProductOrder{-k, -m} : ProductOrder{k, m});
    }
  }
  std::stable_sort(candidates.begin(), candidates.end(),
                   [](const auto& a, const auto& b) { return order_of(a) < order_of(b); });
  std::vector<ProductOrder> kept;
  for (const ProductOrder& candidate : candidates) {
    const double here_hz = frequency_of(candidate, tone_hz);
    if (!band.contains(here_hz) || here_hz < 5 * bin_hz || here_hz > fs.hz / 2 - 5 * bin_hz) {
      continue;
    }
    const bool is_on_tone =
        std::abs(here_hz - tone_hz[0]) < 6 * bin_hz || std::abs(here_hz - tone_hz[1]) < 6 * bin_hz;
    const bool is_taken = std::any_of(kept.begin(), kept.end(), [&](const ProductOrder& other) {
      return std::abs(frequency_of(other, tone_hz) - here_hz) < 1.5 * bin_hz;
    });
    if (!is_on_tone && !is_taken) kept.push_back(candidate);
  }
  std::sort(kept.begin(), kept.end(), [&](const auto& a, const auto& b) {
    return frequency_of(a, tone_hz) < frequency_of(b, tone_hz);
  });
  return kept;
}

void add_imd_figures(std::span<const MeasuredProduct> products, TwoToneChannel& channel) {
  const double u2 = channel.rms_2;
  const double ratio = channel.rms_1 / u2;
  if (ratio >= kModulationRatio) {
    channel.imd_modulation_2 = arithmetic_sum(find(products, -1, 1), find(products, 1, 1), u2);
    channel.imd_modulation_3 = arithmetic_sum(find(products, -2, 1), find(products, 2, 1), u2);
    channel.imd_modulation = demodulated(products, u2);
  }
  if (ratio > kDifferenceRatio || ratio < 1 / kDifferenceRatio) return;
  const MeasuredProduct* difference = find(products, -1, 1);
  const MeasuredProduct* below = find(products, 2, -1);
  const MeasuredProduct* above = find(products, -1, 2);
  if (difference != nullptr) {
    channel.imd_difference_2 =
        DistortionFigure{difference->rms / (2 * u2), difference->deviation / (2 * u2)};
  }
  channel.imd_difference_3 = arithmetic_sum(below, above, 2 * u2);
  if (difference == nullptr || below == nullptr) return;
  const double sum = std::hypot(difference->rms, below->rms);
  const double deviation =
      sum > 0
          ? std::hypot(difference->rms * difference->deviation, below->rms * below->deviation) / sum
          : std::hypot(difference->deviation, below->deviation);
  channel.imd_difference_total =
      DistortionFigure{sum / channel.level_rms, deviation / channel.level_rms};
}

}  // namespace sinewright
