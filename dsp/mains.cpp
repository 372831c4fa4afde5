#include "dsp/mains.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "dsp/window.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

constexpr int kHighestTellingOrder = 12;
constexpr int kGreatestDivisor = 3;

struct Fit {
  double frequency_bins = 0;
  double score = 0;
};

// How well `frequency`, read off line `from` as its harmonic `order`, explains `lines`.
Fit judge(std::span<const SpectralLine> lines, const SpectralLine& from, int order) {
  const double frequency = from.bin / order;
  int divisor = 0;
  double numerator = 0;
  double denominator = 0;
  Fit fit;
  for (const SpectralLine& line : lines) {
    const int multiple = static_cast<int>(std::lround(line.bin / frequency));
    if (multiple < 1 || multiple > kHighestTellingOrder) continue;
    const double allowed =
        0.03 + 2.5 * (line.bin_deviation + from.bin_deviation * multiple / order);
    if (std::abs(line.bin - multiple * frequency) > allowed) continue;
    divisor = std::gcd(divisor, multiple);
    // Capped, lest one strong line that fits by chance outweigh many that belong.
    fit.score += std::min(6.0, std::log(1 + line.over_floor)) / std::sqrt(multiple);
    const double weight = 1 / (line.bin_deviation * line.bin_deviation);
    numerator += weight * multiple * line.bin;
    denominator += weight * multiple * multiple;
  }
  if (divisor < 1 || divisor > kGreatestDivisor) return {};
  fit.frequency_bins = numerator / denominator;
  return fit;
}

// Sum over the lines of the power that is explained, in units of its own variance: the logarithm of
// the likelihood, but for a constant.
double log_likelihood(std::span<const LowSpectrum> blocks, std::span<const FamilyLine> lines,
                      std::span<const double> coefficients, std::size_t n, double bin_hz,
                      double frequency_hz) {
  double sum = 0;
  for (const FamilyLine& line : lines) {
    const double line_hz = line.order * frequency_hz;
    Complex coherent = 0;
    for (const LowSpectrum& block : blocks) {
      const double turns = line_hz * (block.middle_s - blocks.front().middle_s);
      coherent += line_phasor(coefficients, n, line_hz / bin_hz, block.channels[line.channel]) *
                  std::polar(1.0, -kTwoPi * (turns - std::floor(turns)));
    }
    sum += std::norm(coherent) / (line.phasor_variance * static_cast<double>(blocks.size()));
  }
  return sum;
}

}  // namespace

std::optional<Hertz> find_mains(std::span<const SpectralLine> lines, double bin_hz) {
  Fit best;
  for (const SpectralLine& line : lines) {
    for (int order = 1; order <= kHighestTellingOrder; ++order) {
      const double frequency_hz = line.bin * bin_hz / order;
      if (frequency_hz < kLowestMainsHz || frequency_hz > kHighestMainsHz) continue;
      const Fit fit = judge(lines, line, order);
      if (fit.score > best.score) best = fit;
    }
  }
  if (!(best.score > 0)) return std::nullopt;
  return Hertz{best.frequency_bins * bin_hz};
}

Complex line_phasor(std::span<const double> window_coefficients, std::size_t n,
                    double frequency_bins, std::span<const Complex> spectrum) {
  const auto half_width = static_cast<double>(window_coefficients.size());
  const auto first =
      static_cast<std::size_t>(std::max(0.0, std::ceil(frequency_bins - half_width)));
  const auto last = static_cast<std::size_t>(std::floor(frequency_bins + half_width));
  if (last >= spectrum.size()) return 0;
  Complex sum = 0;
  double power = 0;
  double sign = first % 2 == 0 ? 1 : -1;  // moves the phase from sample 0 to the middle
  for (std::size_t m = first; m <= last; ++m, sign = -sign) {
    const double kernel =
        window_kernel(window_coefficients, static_cast<double>(m) - frequency_bins);
    sum += sign * kernel * spectrum[m];
    power += kernel * kernel;
  }
  return sum * (2 / (static_cast<double>(n) * power));
}

FrequencyEstimate refine_mains(std::span<const LowSpectrum> blocks,
                               std::span<const FamilyLine> lines,
                               std::span<const double> window_coefficients, std::size_t n,
                               SampleRate fs, Hertz guess, double reach_hz) {
  if (blocks.empty() || lines.empty()) {
    throw std::invalid_argument("refine_mains: needs a block and a line at least");
  }
  const double block_s = static_cast<double>(n) / fs.hz;
  const double bin_hz = 1 / block_s;
  const double span_s = blocks.back().middle_s - blocks.front().middle_s + block_s;
  int highest_order = 1;
  for (const FamilyLine& line : lines) highest_order = std::max(highest_order, line.order);
  const auto value = [&](double frequency_hz) {
    return log_likelihood(blocks, lines, window_coefficients, n, bin_hz, frequency_hz);
  };

  // Highest order and longest span set how narrow the top is; the grid must not step over it.
  const double step_hz = 1 / (6 * span_s * highest_order);
  double best_hz = guess.value;
  double best = value(best_hz);
  const int steps = static_cast<int>(std::ceil(reach_hz / step_hz));
  for (int i = -steps; i <= steps; ++i) {
    const double frequency_hz = guess.value + i * step_hz;
    const double here = value(frequency_hz);
    if (here > best) {
      best = here;
      best_hz = frequency_hz;
    }
  }
  // Parabolas through three points, ever closer, climb the rest.
  double h = step_hz / 2;
  double bend = 0;
  for (int i = 0; i < 4; ++i, h /= 3) {
    const double before = value(best_hz - h);
    const double here = value(best_hz);
    const double after = value(best_hz + h);
    bend = (before - 2 * here + after) / (h * h);
    if (!(bend < 0)) break;
    best_hz += std::clamp(-(after - before) / (2 * h) / bend, -h, h);
  }
  const double deviation = bend < 0 ? 1 / std::sqrt(-bend) : step_hz;
  return {best_hz, deviation};
}

}  // namespace sinewright
