#include "dsp/biquad.h"

#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

namespace sinewright {

std::complex<double> delta_operator(Hertz frequency, SampleRate fs) {
  const double half_angle = std::numbers::pi * (frequency.value / fs.hz);
  const double half_sine = std::sin(half_angle);
  return {-2 * half_sine * half_sine, 2 * half_sine * std::cos(half_angle)};
}

std::complex<double> response(const Biquad& section, Hertz frequency, SampleRate fs) {
  const std::complex<double> delta = delta_operator(frequency, fs);
  // Lower orders have a factor of delta to cancel, which would be 0/0 at 0 Hz.
  if (section.b2 == 0 && section.a2 == 0) {
    if (section.b1 == 0 && section.a1 == 0) return section.b0;
    return (section.b0 * delta + section.b1) / (delta + section.a1);
  }
  return ((section.b0 * delta + section.b1) * delta + section.b2) /
         ((delta + section.a1) * delta + section.a2);
}

std::complex<double> response(std::span<const Biquad> sections, Hertz frequency, SampleRate fs) {
  std::complex<double> product = 1;
  for (const Biquad& section : sections) product *= response(section, frequency, fs);
  return product;
}

FilterBank2::FilterBank2(std::span<const Biquad> sections, int channels) : channels_(channels) {
  if (channels != 1 && channels != 2) {
    throw std::invalid_argument("FilterBank2: channels must be 1 or 2, got " +
                                std::to_string(channels));
  }
  sections_.reserve(sections.size());
  for (const Biquad& section : sections) sections_.push_back({.c = section});
}

template <int kChannels>
void FilterBank2::process_lanes(std::span<double> frames) {
  // All sections for one frame, then the next frame: consecutive frames overlap in the processor,
  // while one section over a whole block would wait for its own recursion.
  for (std::size_t i = 0; i < frames.size(); i += kChannels) {
    Lanes x(frames[i], frames[i + kChannels - 1]);
    for (Section& s : sections_) {
      const Lanes y = s.c.b0 * x + s.w1;
      s.w1 += (s.c.b1 * x + s.w2) - s.c.a1 * y;
      s.w2 += s.c.b2 * x - s.c.a2 * y;
      x = y;
    }
    frames[i] = x[0];
    if constexpr (kChannels == 2) frames[i + 1] = x[1];
  }
}

void FilterBank2::process(std::span<double> frames) {
  if (frames.size() % static_cast<std::size_t>(channels_) != 0) {
    throw std::invalid_argument("FilterBank2: needs whole frames of 2 samples, got " +
                                std::to_string(frames.size()) + " samples");
  }
  if (channels_ == 2) {
    process_lanes<2>(frames);
  } else {
    process_lanes<1>(frames);
  }
}

void FilterBank2::reset() {
  for (Section& s : sections_) s.w1 = s.w2 = Lanes::Zero();
}

void FilterBank2::set_steady_state(int channel, std::span<const SteadyTone> tones, SampleRate fs) {
  if (channel < 0 || channel >= channels_) {
    throw std::invalid_argument("FilterBank2: no channel " + std::to_string(channel) + " of " +
                                std::to_string(channels_));
  }
  for (Section& s : sections_) s.w1[channel] = s.w2[channel] = 0;
  for (const SteadyTone& tone : tones) {
    const std::complex<double> delta = delta_operator(Hertz{tone.frequency_hz}, fs);
    std::complex<double> x = std::polar(tone.amplitude, tone.phase_rad);
    for (Section& s : sections_) {
      const std::complex<double> y = x * response(std::span(&s.c, 1), Hertz{tone.frequency_hz}, fs);
      // The recursion of process_lanes() for signals that turn by 1 + delta a sample.
      const std::complex<double> w1 = y - s.c.b0 * x;
      const std::complex<double> w2 = delta * w1 - s.c.b1 * x + s.c.a1 * y;
      s.w1[channel] += w1.real();
      s.w2[channel] += w2.real();
      x = y;
    }
  }
}

}  // namespace sinewright
