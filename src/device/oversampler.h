// Half-band filters that take the simulated receiver to a rate where its distortion does not alias.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace sinewright {

/// One side of a linear-phase half-band filter: the coefficients beside the centre (which is 1/2),
/// at offsets 1, 3, 5 ... to both sides.
///
/// Kaiser window design: passes up to `pass_edge` and stops from 0.5 - `pass_edge`, both as a
/// fraction of the higher rate, to about `stop_db`; by the half-band symmetry its pass-band ripple
/// is as small as what it lets through (145 dB: 5e-7 dB). Source: J. F. Kaiser's window formulas,
/// from memory; checked by the response in the tests.
[[nodiscard]] std::vector<double> half_band_taps(double pass_edge, double stop_db);

/// Doubles the rate, or halves it, several times over. One channel; keeps its past between calls.
class Oversampler {
 public:
  /// `doublings`: 0 or more. Content up to 0.4535 of the base rate (20 kHz at 44.1 kHz) passes.
  explicit Oversampler(int doublings);

  [[nodiscard]] std::size_t factor() const { return std::size_t{1} << stages_.size(); }

  /// Delay of up() followed by down(), in samples of the high rate.
  [[nodiscard]] std::size_t delay() const;

  /// `high` is as long as `base` times factor().
  void up(std::span<const double> base, std::span<double> high);

  /// The reverse; `high` is left with no meaning.
  void down(std::span<double> high, std::span<double> base);

 private:
  struct Stage {
    std::vector<double> taps;
    std::vector<double> up_past;         // 2 * taps - 1 samples
    std::vector<double> down_past_odd;   // the same
    std::vector<double> down_past_even;  // taps - 1 samples
    std::vector<double> raised;          // what up() hands to the next stage
  };
  void up_stage(Stage& stage, std::span<const double> in, std::span<double> out);
  void down_stage(Stage& stage, std::span<const double> in, std::span<double> out);

  std::vector<Stage> stages_;  // lowest rate first
  std::vector<double> odd_;    // work space
  std::vector<double> even_;
  std::vector<double> filtered_;
};

}  // namespace sinewright
