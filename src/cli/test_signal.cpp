#include "cli/test_signal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include "cli/values.h"
#include "dsp/generator.h"
#include "dsp/noise.h"
#include "findings/error.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

// White Gaussian noise of this level passes full scale at 5.6 standard deviations: once in 10^8.
constexpr double kHighestNoise_dbfs = -12;

void check_levels(const TestSignalSettings& settings) {
  const auto refuse = [&](const std::string& why) {
    throw Error(ExitCode::kUsage,
                fmt::format("--level {}: {}", short_number(settings.level_dbfs), why));
  };
  if (settings.is_white || settings.is_pink) {
    if (settings.level_dbfs > kHighestNoise_dbfs) {
      refuse(fmt::format("peaks of noise would clip; give {} dBFS or less", kHighestNoise_dbfs));
    }
    return;
  }
  const auto tones = static_cast<double>(settings.frequencies_hz.size());
  if (tones * amplitude_ratio_of_db(settings.level_dbfs) > 1) {
    refuse("two tones of this level clip together; give -6.03 dBFS or less");
  }
}

std::unique_ptr<Signal> make_tones(const TestSignalSettings& settings, SampleRate fs) {
  std::vector<Tone> tones;
  for (const double frequency_hz : settings.frequencies_hz) {
    check_below_nyquist("--frequency", frequency_hz, fs.hz);
    tones.push_back({frequency_hz, amplitude_ratio_of_db(settings.level_dbfs)});
  }
  auto generator = std::make_unique<ToneGenerator>(fs, 1 / fs.hz);  // FadedSignal makes the ramps
  generator->go_to(tones);
  return generator;
}

}  // namespace

FadedSignal::FadedSignal(std::unique_ptr<Signal> inner, SampleRate fs,
                         std::optional<double> duration_s, std::uint32_t mask)
    : inner_(std::move(inner)),
      fade_frames_(std::llround(kFade_s * fs.hz)),
      end_(duration_s ? std::llround(*duration_s * fs.hz)
                      : std::numeric_limits<std::int64_t>::max()),
      mask_(mask) {
  fade_frames_ = std::min(fade_frames_, end_ / 2);
}

void FadedSignal::finish() { end_ = std::min(end_, position_ + fade_frames_); }

double FadedSignal::gain() const {
  const std::int64_t from_an_end = std::min(position_, end_ - 1 - position_);
  if (from_an_end >= fade_frames_) return 1;
  if (from_an_end < 0) return 0;
  const double x = static_cast<double>(from_an_end) / static_cast<double>(fade_frames_);
  return 0.5 - 0.5 * std::cos(std::numbers::pi * x);
}

void FadedSignal::fill(std::span<double> frames, int channels) {
  inner_->fill(frames, channels);
  const auto width = static_cast<std::size_t>(channels);
  for (std::size_t i = 0; i < frames.size(); i += width, ++position_) {
    const double now = gain();
    for (std::size_t c = 0; c < width; ++c) {
      frames[i + c] *= ((mask_ >> c) & 1U) != 0 ? now : 0;
    }
  }
}

std::unique_ptr<Signal> make_test_signal(const TestSignalSettings& settings, SampleRate fs) {
  if (settings.is_silent) return std::make_unique<Silence>();
  check_levels(settings);
  const double rms = rms_of_dbfs(settings.level_dbfs);
  if (settings.is_white) return std::make_unique<WhiteNoise>(rms, settings.seed);
  if (settings.is_pink) return std::make_unique<PinkNoise>(fs, rms, settings.seed);
  return make_tones(settings, fs);
}

}  // namespace sinewright
