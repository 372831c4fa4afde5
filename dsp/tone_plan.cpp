#include "dsp/tone_plan.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include "dsp/lines.h"
#include "dsp/weighting.h"

namespace sinewright {

TonePlan::TonePlan(SampleRate rate, std::size_t block_frames, const ToneSettings& tone_settings)
    : fs(rate),
      n(block_frames),
      settings(tone_settings),
      window(make_window(kWindow, block_frames)),
      fft(block_frames),
      notch(rate, tone_settings.band, tone_settings.notch_q),
      bin_power(power_per_bin(window_coefficients(kWindow), block_frames)),
      bin_hz(rate.hz / static_cast<double>(block_frames)) {
  const std::size_t bins = n / 2 + 1;
  // A window of K cosine terms spreads the offset over bins 0 to K-1; half a bin of it is left
  // beside the fit.
  first_noise_bin = main_lobe_half_width_bins(kWindow);
  const Band& band = settings.band;
  const auto first = static_cast<std::size_t>(std::ceil(band.low_edge_hz() / bin_hz));
  band_begin = std::max(first, first_noise_bin);
  const double last =
      std::min(std::floor(band.high_edge_hz() / bin_hz), static_cast<double>(bins - 2));
  band_end = static_cast<std::size_t>(std::max(last, static_cast<double>(band_begin))) + 1;

  a_gain.resize(bins);
  itu_468_gain.resize(bins);
  band_gain.resize(bins);
  warped_sq.resize(bins);
  for (std::size_t m = 0; m < bins; ++m) {
    const double frequency_hz = static_cast<double>(m) * bin_hz;
    const double a = a_weighting_gain({frequency_hz});
    const double itu_468 = itu_r_468_gain({frequency_hz});
    const double warped = std::tan(std::numbers::pi * std::min(frequency_hz / fs.hz, 0.4999999));
    a_gain[m] = a * a;
    itu_468_gain[m] = itu_468 * itu_468;
    band_gain[m] = notch.band_power_gain(frequency_hz);
    warped_sq[m] = warped * warped;
  }
}

std::shared_ptr<const TonePlan> make_tone_plan(SampleRate fs, std::size_t block_frames,
                                               const ToneSettings& settings) {
  return std::make_shared<const TonePlan>(fs, block_frames, settings);
}

std::size_t tone_block_frames(std::size_t frames, SampleRate fs, double lowest_hz,
                              const ToneSettings& settings) {
  constexpr double kAmplePeriods = 10;
  const double wanted_s = std::min(settings.longest_block_s,
                                   std::max(settings.usual_block_s, kAmplePeriods / lowest_hz));
  const std::size_t limit = std::min(frames, static_cast<std::size_t>(wanted_s * fs.hz));
  return limit < 256 ? 0 : good_fft_length_below(limit);
}

}  // namespace sinewright
