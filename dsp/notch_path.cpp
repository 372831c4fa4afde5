#include "dsp/notch_path.h"

#include <algorithm>
#include <cmath>

#include "dsp/iir_design.h"

namespace sinewright {

NotchPath::NotchPath(SampleRate fs, const Band& band, double q) : fs_(fs), q_(q) {
  constexpr int kLowPassOrder = 8;
  constexpr double kRippleDb = 0.05;
  constexpr double kStopDb = 80;
  constexpr int kHighPassOrder = 2;
  if (band.high_edge_hz() < 0.48 * fs.hz) {
    band_sections_ =
        elliptic_low_pass(kLowPassOrder, kRippleDb, kStopDb, {band.high_edge_hz()}, fs);
  }
  if (band.low_hz > 0) {
    const std::vector<Biquad> high_pass = butterworth_high_pass(kHighPassOrder, {band.low_hz}, fs);
    band_sections_.insert(band_sections_.end(), high_pass.begin(), high_pass.end());
  }
}

std::vector<NotchReading> NotchPath::run(std::span<double> frames, Hertz centre,
                                         std::span<const std::vector<SteadyTone>> tones) const {
  std::vector<Biquad> sections = {notch(centre, q_, fs_)};
  sections.insert(sections.end(), band_sections_.begin(), band_sections_.end());
  const std::size_t channels = tones.size();
  FilterBank2 filter(sections, static_cast<int>(channels));
  for (std::size_t c = 0; c < channels; ++c) {
    filter.set_steady_state(static_cast<int>(c), tones[c], fs_);
  }
  filter.process(frames);

  const std::size_t count = frames.size() / channels;
  const std::size_t settled =
      std::min(count / 4, static_cast<std::size_t>(std::lround(0.05 * fs_.hz)));
  std::vector<NotchReading> readings(channels);
  for (std::size_t c = 0; c < channels; ++c) {
    double sum = 0;
    for (std::size_t i = settled; i < count; ++i) {
      sum += frames[i * channels + c] * frames[i * channels + c];
    }
    readings[c] = {sum / static_cast<double>(count - settled), settled};
  }
  return readings;
}

double NotchPath::band_power_gain(double frequency_hz) const {
  return std::norm(response(band_sections_, {frequency_hz}, fs_));
}

double NotchPath::notch_power_gain(double warped_sq, double centre_warped_sq) const {
  const double apart = centre_warped_sq - warped_sq;
  const double rejected = apart * apart;
  return rejected / (rejected + warped_sq * centre_warped_sq / (q_ * q_));
}

}  // namespace sinewright
