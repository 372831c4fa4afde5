// Tables for measuring tones at one rate and block length; made once, shared by many analyses.
#pragma once

#include <cstddef>
#include <vector>

#include "dsp/fft.h"
#include "dsp/notch_path.h"
#include "dsp/tone_analysis.h"
#include "dsp/window.h"

namespace sinewright {

class TonePlan {
 public:
  TonePlan(SampleRate rate, std::size_t block_frames, const ToneSettings& tone_settings);

  static constexpr WindowKind kWindow = WindowKind::kNuttall4b;

  SampleRate fs;
  std::size_t n;
  ToneSettings settings;
  std::vector<double> window;
  ComplexFft fft;
  NotchPath notch;
  double bin_power;  ///< |X|^2 of a bin to mean square
  double bin_hz;
  std::size_t band_begin;       ///< first bin in band
  std::size_t band_end;         ///< one past the last
  std::size_t first_noise_bin;  ///< below it stands what is left of the offset
  /// For every bin: power gains of the weightings and of the notch path's band limits, and
  /// tan^2(pi f / fs), from which the notch's own gain follows.
  std::vector<double> a_gain;
  std::vector<double> itu_468_gain;
  std::vector<double> band_gain;
  std::vector<double> warped_sq;
};

}  // namespace sinewright
