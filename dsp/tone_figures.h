// From what a channel has gathered to its figures. Internal to the tone analysis.
#pragma once

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstdint>
#include <optional>
#include <vector>

#include "dsp/lines.h"
#include "dsp/tone_analysis.h"
#include "dsp/tone_fit.h"
#include "dsp/tone_plan.h"

namespace sinewright {

// The least-squares line through weighted points, growing.
class Regression {
 public:
  void add(double x, double y, double weight) {
    weight_ += weight;
    const double dx = x - mean_x_;
    const double dy = y - mean_y_;
    mean_x_ += dx * weight / weight_;
    mean_y_ += dy * weight / weight_;
    sxx_ += weight * dx * (x - mean_x_);
    sxy_ += weight * dx * (y - mean_y_);
    syy_ += weight * dy * (y - mean_y_);
  }
  [[nodiscard]] double slope() const { return sxx_ > 0 ? sxy_ / sxx_ : 0; }
  [[nodiscard]] double sxx() const { return sxx_; }
  [[nodiscard]] double weight() const { return weight_; }
  // Standard deviation of the mean of y about the line; 0 without two degrees beyond it.
  [[nodiscard]] double mean_deviation() const {
    if (weight_ <= 2) return 0;
    const double rest = std::max(0.0, syy_ - slope() * sxy_);
    return std::sqrt(rest / (weight_ - 2) / weight_);
  }

 private:
  double weight_ = 0, mean_x_ = 0, mean_y_ = 0, sxx_ = 0, sxy_ = 0, syy_ = 0;
};

// What one channel gathers over the blocks. Sums are weighted.
struct ToneSums {
  double weight = 0;
  double fundamental_ms = 0;
  double offset = 0;
  std::vector<std::complex<double>> ratio;  // of each harmonic
  std::vector<double> noise;                // |X|^2 for each bin
  double notch_ms = 0;
  double notch_leak_ms = 0;
  double notch_frames = 0;
  PeakFigures peaks;
  // Frequency: within the blocks, and from the phases of block to block in each segment.
  double block_frequency = 0;
  double block_drift_db_per_s = 0;
  double block_drift_hz_per_s = 0;
  Regression phase;
  bool has_last_phase = false;
  double last_phase = 0;
  double last_time = 0;
  Regression level_db;
  Regression frequency;
};

// Channels with the same tone share a fitter, whose basis follows the stronger of them.
struct ToneGroup {
  ToneFitter fitter;
  std::vector<std::size_t> members;
  bool is_settled = false;
  std::optional<LineFitter> lines;
  double lines_hz = 0;
  std::vector<int> orders;  // of the lines
};

// The figures of one channel over `blocks` blocks.
[[nodiscard]] ToneChannel tone_figures(const TonePlan& plan, const ToneGroup& group,
                                       const ToneSums& sums, std::int64_t blocks);

}  // namespace sinewright
