// Clicks and dropouts in what a fit leaves of a steady signal.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace sinewright {

/// Where something struck a steady signal.
struct Disturbance {
  enum class Kind { kClick, kDropout };
  Kind kind;
  std::int64_t frame;  ///< from the start of the block, or absolute, as the context says
  double height;       ///< largest residual, full scale 1
};

/// No more than this many are listed one by one; the rest are counted.
inline constexpr std::size_t kMostDisturbances = 200;

/// Finds the stretches whose largest residual stands out from that of their fellows.
///
/// `samples` and `residual`: one channel, before and after the tone was taken out.
/// `period_frames`: each stretch spans a whole period or more (and 256 frames), so that spikes that
/// come with every period, as of crossover distortion, are in all of them and strike none.
/// Threshold: 2.4 times the median, which white noise passes once in 10^9 samples or so; never
/// below a millionth of `tone_amplitude`, where what drift leaves at the ends of a block may lie. A
/// stretch in which the samples hold one value for 5 or more frames (and a twentieth of a period,
/// or the top of a coarsely quantised tone would count) is a dropout, any other a click.
[[nodiscard]] std::vector<Disturbance> find_disturbances(std::span<const double> samples,
                                                         std::span<const double> residual,
                                                         double period_frames,
                                                         double tone_amplitude);

}  // namespace sinewright
