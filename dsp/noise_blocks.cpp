#include "dsp/noise_blocks.h"

#include <algorithm>
#include <cmath>

namespace sinewright {
namespace {

constexpr WindowKind kWindow = WindowKind::kNuttall4b;

std::size_t block_length(SampleRate fs, double block_s) {
  auto n = static_cast<std::size_t>(std::max(16.0, std::floor(block_s * fs.hz * (1 + 1e-12))));
  n -= n % 2;
  while (good_fft_length(n) != n) n -= 2;
  return n;
}

}  // namespace

std::size_t NoiseBlocks::half_lobe() { return main_lobe_half_width_bins(kWindow); }
std::span<const double> NoiseBlocks::window_coefficients() {
  return sinewright::window_coefficients(kWindow);
}

NoiseBlocks::NoiseBlocks(SampleRate fs, std::size_t channels, double block_s, const Band& band,
                         double highest_low_hz)
    : fs_(fs),
      channels_(channels),
      window_(make_window(kWindow, block_length(fs, block_s))),
      hop_(window_.size() / 2),
      fft_(window_.size()),
      packed_(window_.size()),
      transformed_(window_.size()),
      sums_(channels, std::vector<double>(window_.size() / 2 + 1, 0.0)),
      spreads_(channels) {
  const std::size_t n = window_.size();
  double squares = 0;
  double fourths = 0;
  double neighbours = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double square = window_[i] * window_[i];
    squares += square;
    fourths += square * square;
    if (i + hop_ < n) neighbours += square * window_[i + hop_] * window_[i + hop_];
  }
  const auto length = static_cast<double>(n);
  scale_ = 2 / (length * squares);
  overlap_figure_ = length * fourths / (squares * squares);
  neighbour_figure_ = length * neighbours / (squares * squares);

  const auto last_bin = static_cast<double>(n / 2 - 1);
  const double low = std::max(std::ceil(band.low_edge_hz() / bin_hz()), 1.0);
  const double high = std::min(std::floor(band.high_edge_hz() / bin_hz()), last_bin);
  band_begin_ = static_cast<std::size_t>(std::min(low, last_bin));
  band_end_ = static_cast<std::size_t>(std::max(high, static_cast<double>(band_begin_))) + 1;
  // Room for the floor beside the highest line.
  const double low_end = highest_low_hz / bin_hz() + 40;
  low_end_ = static_cast<std::size_t>(std::min(low_end, last_bin));
  for (std::size_t m = 0; m <= n / 2; ++m) {
    const Hertz frequency{static_cast<double>(m) * bin_hz()};
    const double a = a_weighting_gain(frequency);
    const double itu_468 = itu_r_468_gain(frequency);
    gains_[0].push_back(a * a);
    gains_[1].push_back(itu_468 * itu_468);
  }
  held_.reserve(n * channels_);
}

void NoiseBlocks::push(std::span<const double> frames,
                       const std::function<void(LowSpectrum)>& on_block) {
  const std::size_t full = window_.size() * channels_;
  while (!frames.empty()) {
    const std::size_t count = std::min(frames.size(), full - held_.size());
    held_.insert(held_.end(), frames.begin(), frames.begin() + static_cast<std::ptrdiff_t>(count));
    frames = frames.subspan(count);
    if (held_.size() < full) continue;
    add_block(on_block);
    held_.erase(held_.begin(), held_.begin() + static_cast<std::ptrdiff_t>(hop_ * channels_));
  }
}

void NoiseBlocks::add_block(const std::function<void(LowSpectrum)>& on_block) {
  const std::size_t n = window_.size();
  // The offset is taken off first: of the window's side lobes not even -93 dB of it stays.
  std::array<double, 2> mean{};
  for (std::size_t i = 0; i < held_.size(); ++i) mean[i % channels_] += held_[i];
  for (double& m : mean) m /= static_cast<double>(n);
  for (std::size_t i = 0; i < n; ++i) {
    const double first = window_[i] * (held_[i * channels_] - mean[0]);
    const double second = channels_ == 2 ? window_[i] * (held_[2 * i + 1] - mean[1]) : 0;
    packed_[i] = {first, second};
  }
  fft_.transform(packed_, transformed_);

  LowSpectrum low;
  low.middle_s = static_cast<double>(count_ * hop_ + n / 2) / fs_.hz;
  low.channels.assign(channels_, {});
  std::vector<double> power(n / 2 + 1);
  for (std::size_t c = 0; c < channels_; ++c) {
    for (std::size_t m = 0; m <= n / 2; ++m) {
      const BinPair bins = split_bins(transformed_, m);
      const std::complex<double> bin = c == 0 ? bins.a : bins.b;
      power[m] = scale_ * std::norm(bin);
      sums_[c][m] += power[m];
      if (m <= low_end_) low.channels[c].push_back(bin);
    }
    const double levels[] = {band_level(Weighting::kNone, power).mean_square,
                             band_level(Weighting::kA, power).mean_square,
                             band_level(Weighting::k468, power).mean_square};
    for (std::size_t w = 0; w < 3; ++w) {
      spreads_[c][w].sum += levels[w];
      spreads_[c][w].squares += levels[w] * levels[w];
    }
  }
  ++count_;
  on_block(std::move(low));
}

double NoiseBlocks::covered_s() const {
  if (count_ == 0) return 0;
  return static_cast<double>((count_ - 1) * hop_ + window_.size()) / fs_.hz;
}

std::vector<double> NoiseBlocks::mean_square(std::size_t channel) const {
  std::vector<double> power = sums_[channel];
  for (double& p : power) p /= static_cast<double>(std::max<std::size_t>(1, count_));
  return power;
}

std::span<const double> NoiseBlocks::power_gain(Weighting weighting) const {
  return gains_[weighting == Weighting::kA ? 0 : 1];
}

NoiseBlocks::BandLevel NoiseBlocks::band_level(Weighting weighting,
                                               std::span<const double> power) const {
  double sum = 0;
  double squares = 0;
  for (std::size_t m = band_begin_; m < band_end_; ++m) {
    const double p = weighting == Weighting::kNone ? power[m] : power[m] * power_gain(weighting)[m];
    sum += p;
    squares += p * p;
  }
  const auto blocks = static_cast<double>(std::max<std::size_t>(1, count_));
  // E[p^2] exceeds the square of the mean by one part in `blocks`.
  const double expected_squares = squares / (1 + 1 / blocks);
  const double figure = (overlap_figure_ + 2 * neighbour_figure_ * (blocks - 1) / blocks) / blocks;
  return {sum, expected_squares * figure};
}

double NoiseBlocks::relative_spread(std::size_t channel, Weighting weighting) const {
  if (count_ < 8) return 0;
  const Spread& spread = spreads_[channel][static_cast<std::size_t>(weighting)];
  const auto blocks = static_cast<double>(count_);
  const double mean = spread.sum / blocks;
  if (!(mean > 0)) return 0;
  const double variance = std::max(0.0, spread.squares / blocks - mean * mean);
  const double shared = 1 + 2 * neighbour_figure_ / overlap_figure_;
  return std::sqrt(variance * shared / blocks) / mean;
}

}  // namespace sinewright
