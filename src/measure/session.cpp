#include "measure/session.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr double kRamp_s = 0.01;
constexpr double kLongestDelay_s = 1;
constexpr double kChunk_s = 0.02;
constexpr int kTries = 3;

}  // namespace

Session::Session(std::unique_ptr<Stream> stream, std::optional<Chain> chain,
                 SessionSettings settings)
    : stream_(std::move(stream)),
      chain_(std::move(chain)),
      settings_(std::move(settings)),
      generator_(std::make_shared<ToneGenerator>(stream_->sample_rate(), kRamp_s)),
      channels_(static_cast<std::size_t>(stream_->channels())),
      drive_dbfs_(-std::numeric_limits<double>::infinity()) {
  if (channels_ < 1 || channels_ > 2) {
    throw Error(ExitCode::kUsage, fmt::format("{}: {} input channels; a session takes 1 or 2",
                                              stream_->name(), channels_));
  }
  if (has_output()) stream_->play(generator_);
}

Session::~Session() {
  try {
    if (!has_output() || generator_->is_silent()) return;
    silence();
    // What is in the output's buffers is played before the ramp: read until that has gone out too.
    const std::int64_t until =
        stream_->frames_played() + std::llround((kRamp_s + 0.05) * sample_rate().hz);
    std::vector<double> some(static_cast<std::size_t>(kChunk_s * sample_rate().hz) * channels_);
    while (stream_->frames_played() < until && stream_->read(some) > 0) {
    }
  } catch (const std::exception&) {
    // The device is gone; its own destructor fades what it still can.
  }
}

ReadingContext Session::context() const {
  ReadingContext context;
  context.channels = channel_names(static_cast<int>(channels_));
  context.chain = chain_;
  context.band = settings_.band;
  context.sample_rate_hz = sample_rate().hz;
  return context;
}

Findings Session::begin_findings(const std::string& measurement) const {
  Findings findings;
  findings.measurement = measurement;
  findings.started_s = findings.ended_s = static_cast<double>(frames_read_) / sample_rate().hz;
  findings.taken = utc_now();
  findings.conditions = context_conditions(context());
  findings.conditions.push_back({"stream", stream_->name()});
  if (has_output() && std::isfinite(drive_dbfs_)) {
    findings.conditions.push_back({"drive_dbfs", drive_dbfs_});
  }
  findings.conditions.insert(findings.conditions.end(), settings_.conditions.begin(),
                             settings_.conditions.end());
  return findings;
}

void Session::play(Hertz frequency, double level_dbfs, std::uint32_t channels) {
  if (!has_output()) {
    throw Error(ExitCode::kUsage,
                stream_->name() + ": opened without an output; name one to play a tone");
  }
  const double amplitude = amplitude_ratio_of_db(level_dbfs);
  if (!(frequency.value > 0 && frequency.value < sample_rate().hz / 2)) {
    throw Error(ExitCode::kUsage,
                fmt::format("frequency {:.6g} Hz: must lie between 0 and {:.6g} Hz, half the rate; "
                            "lower it or choose a higher rate",
                            frequency.value, sample_rate().hz / 2));
  }
  if (!(amplitude <= 1)) {
    throw Error(ExitCode::kUsage,
                fmt::format("level {:.2f} dBFS: above full scale; give 0 or less", level_dbfs));
  }
  const std::array<Tone, 1> tone = {Tone{frequency.value, amplitude}};
  generator_->set_channels(channels);
  generator_->go_to(tone);
  drive_dbfs_ = level_dbfs;
  frequency_ = frequency;
  driven_ = channels;
  changed_at_ = stream_->frames_played();
}

void Session::silence() {
  if (!has_output()) return;
  generator_->go_to({});
  drive_dbfs_ = -std::numeric_limits<double>::infinity();
  changed_at_ = stream_->frames_played();
}

void Session::read_all(std::span<double> frames) {
  const auto chunk = static_cast<std::size_t>(kChunk_s * sample_rate().hz) * channels_;
  for (std::size_t done = 0; done < frames.size();) {
    const std::span<double> part = frames.subspan(done, std::min(chunk, frames.size() - done));
    const std::size_t count = stream_->read(part);
    if (count == 0) {
      throw Error(ExitCode::kDevice, stream_->name() + ": ended before the measurement did");
    }
    done += count * channels_;
    frames_read_ += static_cast<std::int64_t>(count);
    cut_if_too_loud(part.first(count * channels_));
  }
}

void Session::guard(double rms) {
  guard_rms_ = rms;
  was_cut_ = false;
}

void Session::guard_watts(double watts) {
  // A full-scale sine has 0.707. Once the input clips, no reading tells how much there is.
  constexpr double kClipping_rms = 0.65;
  guard_w_ = watts;
  double rms = kClipping_rms;
  for (std::size_t c = 0; c < channels_; ++c) {
    rms = std::min(rms, chain_->volts_of_watts(watts, c) / chain_->volts_of_rms(1, c));
  }
  guard(rms);
}

void Session::refuse_if_cut(const char* what) const {
  if (!was_cut_) return;
  throw Error(
      ExitCode::kRefused,
      fmt::format("{}: the output came to {:.3g} W or the input clipped: the drive was cut; "
                  "lower the level, or go through the checklist in docs/safety.md and give "
                  "--confirmed",
                  what, guard_w_));
}

void Session::cut_if_too_loud(std::span<const double> frames) {
  if (!std::isfinite(guard_rms_) || !has_output()) return;
  // A stretch shorter than half a period can hold the crest alone: its mean square exceeds that of
  // the whole tone by up to sin(x) / x, with x = w T.
  const double stretch_s = static_cast<double>(frames.size() / channels_) / sample_rate().hz;
  const double x = kTwoPi * frequency_.value * stretch_s;
  const double crest = 1 + (x > 0 ? std::abs(std::sin(x) / x) : 1);
  const double limit_ms = guard_rms_ * guard_rms_ * crest;
  for (std::size_t c = 0; c < channels_; ++c) {
    double sum = 0;
    for (std::size_t i = c; i < frames.size(); i += channels_) sum += frames[i] * frames[i];
    const double mean_square =
        sum * static_cast<double>(channels_) / static_cast<double>(frames.size());
    if (mean_square <= limit_ms) continue;
    if (std::isfinite(drive_dbfs_)) silence();
    was_cut_ = true;
  }
}

void Session::discard(std::int64_t frames) {
  std::vector<double> some;
  const auto chunk = static_cast<std::int64_t>(kChunk_s * sample_rate().hz);
  while (frames > 0) {
    some.resize(static_cast<std::size_t>(std::min(chunk, frames)) * channels_);
    read_all(some);
    frames -= static_cast<std::int64_t>(some.size() / channels_);
  }
}

void Session::measure_loop_delay(double level_dbfs) {
  const double fs = sample_rate().hz;
  // Out of silence, whatever has been playing.
  silence();
  discard(std::llround(kLongestDelay_s / 2 * fs));
  play({997}, level_dbfs, driven_);
  const std::int64_t started_at = changed_at_;
  const std::int64_t first = frames_read_;
  std::vector<double> frames(static_cast<std::size_t>(kLongestDelay_s * fs) * channels_);
  read_all(frames);

  // RMS in windows of 2 ms, both channels together; the burst is where it passes half its end
  // value.
  const auto window = static_cast<std::size_t>(0.002 * fs) * channels_;
  std::vector<double> rms;
  for (std::size_t i = 0; i + window <= frames.size(); i += window) {
    double sum = 0;
    for (std::size_t j = i; j < i + window; ++j) sum += frames[j] * frames[j];
    rms.push_back(std::sqrt(sum / static_cast<double>(window)));
  }
  const double last = *std::max_element(rms.end() - 20, rms.end());
  const double before = *std::min_element(rms.begin(), rms.end());
  if (!(last > 4 * before)) {
    loop_delay_frames_ = std::llround(0.5 * fs);
    return;
  }
  const auto rise = std::find_if(rms.begin(), rms.end(), [&](double r) { return r > last / 2; });
  const auto at = first + static_cast<std::int64_t>(static_cast<std::size_t>(rise - rms.begin()) *
                                                    window / channels_);
  loop_delay_frames_ = std::max<std::int64_t>(0, at - started_at - std::llround(kRamp_s / 2 * fs));
}

void Session::settle(double settling_s) {
  if (!has_output()) return;
  if (loop_delay_frames_ < 0 && std::isfinite(drive_dbfs_)) {
    const Hertz wanted = frequency_;
    measure_loop_delay(drive_dbfs_);
    play(wanted, drive_dbfs_, driven_);
  }
  const std::int64_t until = changed_at_ + std::max<std::int64_t>(0, loop_delay_frames_) +
                             std::llround((kRamp_s + settling_s) * sample_rate().hz);
  if (until > frames_read_) discard(until - frames_read_);
}

void Session::idle(double duration_s) { discard(std::llround(duration_s * sample_rate().hz)); }

Capture Session::capture(double duration_s) {
  const auto count = static_cast<std::size_t>(std::llround(duration_s * sample_rate().hz));
  for (int attempt = 0; attempt < kTries; ++attempt) {
    Capture capture;
    capture.first = frames_read_;
    capture.frames.resize(count * channels_);
    read_all(capture.frames);
    const std::span<const std::int64_t> gaps = stream_->gaps();
    const bool is_whole = std::none_of(gaps.begin(), gaps.end(), [&](std::int64_t gap) {
      return gap > capture.first && gap <= frames_read_;
    });
    if (is_whole) return capture;
  }
  throw Error(ExitCode::kDevice,
              fmt::format("{}: frames were lost in {} tries of {:.2f} s; close other programs",
                          stream_->name(), kTries, duration_s));
}

Findings Session::measure_tone(const Capture& capture, Hertz frequency,
                               ToneAnalysis* measured) const {
  Findings findings = begin_findings("tone");
  const double fs = sample_rate().hz;
  findings.started_s = static_cast<double>(capture.first) / fs;
  findings.ended_s =
      findings.started_s + static_cast<double>(capture.frames.size() / channels_) / fs;
  ToneSettings settings;
  settings.band = settings_.band;
  const std::vector<double> guesses(channels_, frequency.value);
  std::optional<ToneAnalysis> analysis =
      analyze_tone(capture.frames, sample_rate(), guesses, settings);
  if (!analysis) {
    append_caution(findings, "short",
                   fmt::format("{:.3f} s hold fewer than five periods of {:.4g} Hz",
                               findings.ended_s - findings.started_s, frequency.value));
    return findings;
  }
  for (Disturbance& disturbance : analysis->disturbances) disturbance.frame += capture.first;
  append_tone(findings, *analysis, context(), 0);
  if (measured != nullptr) *measured = std::move(*analysis);
  return findings;
}

}  // namespace sinewright
