#include "dsp/generator.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/phase.h"

namespace sinewright {
namespace {

std::int64_t checked_ramp_frames(SampleRate fs, double ramp_s) {
  if (!std::isfinite(fs.hz) || !(fs.hz > 0)) {
    throw std::invalid_argument("ToneGenerator: fs must be positive, got " + std::to_string(fs.hz));
  }
  if (!std::isfinite(ramp_s) || !(ramp_s > 0)) {
    throw std::invalid_argument("ToneGenerator: ramp_s must be positive, got " +
                                std::to_string(ramp_s));
  }
  return std::max<std::int64_t>(1, std::llround(ramp_s * fs.hz));
}

void check_tones(std::span<const Tone> tones, SampleRate fs) {
  if (tones.size() > 2) {
    throw std::invalid_argument("ToneGenerator: two tones at the most, got " +
                                std::to_string(tones.size()));
  }
  double sum = 0;
  for (const Tone& tone : tones) {
    if (!(tone.frequency_hz > 0) || !(tone.frequency_hz < fs.hz / 2)) {
      throw std::invalid_argument("ToneGenerator: frequency_hz must lie between 0 and " +
                                  std::to_string(fs.hz / 2) + ", got " +
                                  std::to_string(tone.frequency_hz));
    }
    if (!(tone.amplitude >= 0)) {
      throw std::invalid_argument("ToneGenerator: amplitude must not be negative, got " +
                                  std::to_string(tone.amplitude));
    }
    sum += tone.amplitude;
  }
  if (!(sum <= 1)) {
    throw std::invalid_argument("ToneGenerator: amplitudes must not exceed 1 in sum, got " +
                                std::to_string(sum));
  }
}

}  // namespace

ToneGenerator::ToneGenerator(SampleRate fs, double ramp_s)
    : fs_(fs),
      ramp_frames_(checked_ramp_frames(fs, ramp_s)),
      tone_ramp_position_(ramp_frames_),
      channel_ramp_position_(ramp_frames_) {
  channel_gain_from_.fill(1);
}

double ToneGenerator::blend(std::int64_t frames_into_ramp) const {
  if (frames_into_ramp >= ramp_frames_) return 1;
  const double share = static_cast<double>(frames_into_ramp) / static_cast<double>(ramp_frames_);
  const double sine = std::sin(0.5 * std::numbers::pi * share);
  return sine * sine;  // (1 - cos(pi share)) / 2
}

double ToneGenerator::amplitude(const Voice& voice) const {
  if (tone_ramp_position_ >= ramp_frames_) return voice.amplitude_to;
  return std::lerp(voice.amplitude_from, voice.amplitude_to, blend(tone_ramp_position_));
}

double ToneGenerator::channel_gain(std::size_t channel) const {
  const double to = (channel_mask_ >> channel & 1) != 0 ? 1 : 0;
  return std::lerp(channel_gain_from_[channel], to, blend(channel_ramp_position_));
}

void ToneGenerator::go_to(std::span<const Tone> tones) {
  check_tones(tones, fs_);
  for (Voice& voice : voices_) {
    voice.amplitude_from = amplitude(voice);
    voice.amplitude_to = 0;
  }
  std::erase_if(voices_, [](const Voice& voice) { return voice.amplitude_from == 0; });

  // Tones that keep their frequency first, or the other one could take their voice.
  std::vector<bool> is_taken(voices_.size(), false);
  std::vector<Tone> changed;
  for (const Tone& tone : tones) {
    const auto same = std::ranges::find(voices_, tone.frequency_hz, &Voice::frequency_hz);
    const auto index = static_cast<std::size_t>(same - voices_.begin());
    if (same == voices_.end() || is_taken[index]) {
      changed.push_back(tone);
      continue;
    }
    is_taken[index] = true;
    same->amplitude_to = tone.amplitude;
  }
  for (const Tone& tone : changed) {
    const auto free =
        static_cast<std::size_t>(std::ranges::find(is_taken, false) - is_taken.begin());
    if (free == is_taken.size()) {
      voices_.emplace_back();
      is_taken.push_back(true);
    }
    is_taken[free] = true;
    Voice& voice = voices_[free];
    voice.frequency_hz = tone.frequency_hz;
    voice.step = phase_step(Hertz{tone.frequency_hz}, fs_);
    voice.amplitude_to = tone.amplitude;
  }
  const bool is_unchanged = std::ranges::all_of(
      voices_, [](const Voice& voice) { return voice.amplitude_from == voice.amplitude_to; });
  tone_ramp_position_ = is_unchanged ? ramp_frames_ : 0;
}

void ToneGenerator::set_channels(std::uint32_t mask) {
  if (mask == channel_mask_) return;
  std::array<double, kMaxChannels> now{};
  for (std::size_t c = 0; c < kMaxChannels; ++c) now[c] = channel_gain(c);
  channel_gain_from_ = now;
  channel_mask_ = mask;
  channel_ramp_position_ = 0;
}

bool ToneGenerator::is_steady() const {
  return tone_ramp_position_ >= ramp_frames_ && channel_ramp_position_ >= ramp_frames_;
}

bool ToneGenerator::is_silent() const {
  return is_steady() &&
         std::ranges::all_of(voices_, [](const Voice& voice) { return voice.amplitude_to == 0; });
}

double ToneGenerator::next_sample() {
  double sum = 0;
  for (Voice& voice : voices_) {
    sum += amplitude(voice) * unit_phasor(voice.phase).imag();
    voice.phase += voice.step;
  }
  if (tone_ramp_position_ < ramp_frames_) ++tone_ramp_position_;
  return sum;
}

void ToneGenerator::fill(std::span<double> frames, int channels) {
  if (channels < 1 || channels > static_cast<int>(kMaxChannels)) {
    throw std::invalid_argument("ToneGenerator: channels must be 1 to 32, got " +
                                std::to_string(channels));
  }
  const auto count = static_cast<std::size_t>(channels);
  if (frames.size() % count != 0) {
    throw std::invalid_argument("ToneGenerator: needs whole frames of " + std::to_string(channels) +
                                " samples, got " + std::to_string(frames.size()) + " samples");
  }
  for (std::size_t i = 0; i < frames.size(); i += count) {
    const double sample = next_sample();
    for (std::size_t c = 0; c < count; ++c) frames[i + c] = sample * channel_gain(c);
    if (channel_ramp_position_ < ramp_frames_) ++channel_ramp_position_;
  }
}

void Silence::fill(std::span<double> frames, int /*channels*/) { std::ranges::fill(frames, 0.0); }

}  // namespace sinewright
