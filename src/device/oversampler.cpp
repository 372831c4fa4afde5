#include "device/oversampler.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kStopDb = 145;           // what folds back lies below -140 dBc with room to spare
constexpr double kBasePassEdge = 0.4535;  // of the base rate: 20 kHz at 44.1 kHz

/// Modified Bessel function I0; the standard one is missing from some C++ libraries.
double bessel_i0(double x) {
  double term = 1;
  double sum = 1;
  for (int k = 1; term > 1e-18 * sum; ++k) {
    term *= (x / (2 * k)) * (x / (2 * k));
    sum += term;
  }
  return sum;
}

/// out[n] = sum over j of taps[j] * (x[n + m - 1 - j] + x[n + m + j]), m taps; `x` is 2m - 1 longer
/// than `out`. Tiles of eight outputs stay in registers and vectorise.
void symmetric_fir(std::span<const double> x, std::span<const double> taps, std::span<double> out) {
  constexpr std::size_t kTile = 8;
  const std::size_t m = taps.size();
  std::size_t n = 0;
  for (; n + kTile <= out.size(); n += kTile) {
    double sum[kTile] = {};
    for (std::size_t j = 0; j < m; ++j) {
      const double* before = &x[n + m - 1 - j];
      const double* after = &x[n + m + j];
      for (std::size_t t = 0; t < kTile; ++t) sum[t] += taps[j] * (before[t] + after[t]);
    }
    std::copy(sum, sum + kTile, &out[n]);
  }
  for (; n < out.size(); ++n) {
    double sum = 0;
    for (std::size_t j = 0; j < m; ++j) sum += taps[j] * (x[n + m - 1 - j] + x[n + m + j]);
    out[n] = sum;
  }
}

/// `past` followed by `now` in `work`; `past` then holds the newest samples.
void join(std::vector<double>& past, std::span<const double> now, std::vector<double>& work) {
  work.assign(past.begin(), past.end());
  work.insert(work.end(), now.begin(), now.end());
  std::copy(work.end() - static_cast<std::ptrdiff_t>(past.size()), work.end(), past.begin());
}

}  // namespace

std::vector<double> half_band_taps(double pass_edge, double stop_db) {
  const double transition_rad = kTwoPi * (0.5 - 2 * pass_edge);
  const double order = (stop_db - 7.95) / (2.285 * transition_rad);
  const auto count = static_cast<std::size_t>(std::ceil((order + 2) / 4));
  const double beta = 0.1102 * (stop_db - 8.7);
  const double half_length = static_cast<double>(2 * count);
  std::vector<double> taps(count);
  double sum = 0;
  for (std::size_t j = 0; j < count; ++j) {
    const double offset = static_cast<double>(2 * j + 1);
    const double place = offset / half_length;
    const double window = bessel_i0(beta * std::sqrt(1 - place * place)) / bessel_i0(beta);
    taps[j] = std::sin(std::numbers::pi * offset / 2) / (std::numbers::pi * offset) * window;
    sum += taps[j];
  }
  for (double& tap : taps)
    tap *= 0.25 / sum;  // exactly 1 at 0 Hz, exactly 0 at the high rate's half
  return taps;
}

Oversampler::Oversampler(int doublings) {
  double pass_edge = kBasePassEdge / 2;
  for (int k = 0; k < doublings; ++k, pass_edge /= 2) {
    const std::vector<double> taps = half_band_taps(pass_edge, kStopDb);
    const std::vector<double> past(2 * taps.size() - 1);
    stages_.push_back({taps, past, past, std::vector<double>(taps.size() - 1), {}});
  }
}

std::size_t Oversampler::delay() const {
  std::size_t delay = 0;
  std::size_t step = factor();  // one sample of the stage's lower rate, in samples of the high rate
  for (const Stage& stage : stages_) {
    delay += (2 * stage.taps.size() - 1) * step;
    step /= 2;
  }
  return delay;
}

void Oversampler::up(std::span<const double> base, std::span<double> high) {
  if (stages_.empty()) std::copy(base.begin(), base.end(), high.begin());
  std::span<const double> in = base;
  for (Stage& stage : stages_) {
    const bool is_last = &stage == &stages_.back();
    if (!is_last) stage.raised.resize(2 * in.size());
    const std::span<double> out = is_last ? high : std::span<double>(stage.raised);
    up_stage(stage, in, out);
    in = out;
  }
}

void Oversampler::down(std::span<double> high, std::span<double> base) {
  std::span<double> in = high;
  for (auto stage = stages_.rbegin(); stage != stages_.rend(); ++stage) {
    const std::span<double> out = in.first(in.size() / 2);  // written behind what was read
    down_stage(*stage, in, out);
    in = out;
  }
  std::copy(in.begin(), in.end(), base.begin());
}

void Oversampler::up_stage(Stage& stage, std::span<const double> in, std::span<double> out) {
  join(stage.up_past, in, even_);
  filtered_.resize(in.size());
  symmetric_fir(even_, stage.taps, filtered_);
  const double* centre = &even_[stage.taps.size() - 1];
  for (std::size_t n = 0; n < in.size(); ++n) {
    out[2 * n] = centre[n];
    out[2 * n + 1] = 2 * filtered_[n];
  }
}

void Oversampler::down_stage(Stage& stage, std::span<const double> in, std::span<double> out) {
  const std::size_t count = in.size() / 2;
  filtered_.resize(2 * count);
  const std::span<double> even_now = std::span(filtered_).first(count);
  const std::span<double> odd_now = std::span(filtered_).last(count);
  for (std::size_t n = 0; n < count; ++n) {
    even_now[n] = in[2 * n];
    odd_now[n] = in[2 * n + 1];
  }
  join(stage.down_past_even, even_now, even_);
  join(stage.down_past_odd, odd_now, odd_);
  symmetric_fir(odd_, stage.taps, out);
  for (std::size_t n = 0; n < count; ++n) out[n] += 0.5 * even_[n];
}

}  // namespace sinewright
