#include "measure/session.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "findings/error.h"
#include "measure/foreign_profile.h"

namespace sinewright {
namespace {

constexpr double kRamp_s = Drive::kRamp_s;
constexpr double kLongestDelay_s = 1;
constexpr double kUnheardDelay_s = 0.5;
constexpr double kChunk_s = 0.02;
constexpr double kWindow_s = 0.002;  // in which a burst is looked for
constexpr int kTries = 3;
constexpr int kMostRounds = 100;  // of a climb: 1 dB each at the least
constexpr Hertz kBurst{997};

// RMS over windows of kWindow_s, all channels together.
std::vector<double> rms_windows(std::span<const double> frames, std::size_t samples) {
  std::vector<double> rms;
  for (std::size_t i = 0; i + samples <= frames.size(); i += samples) {
    double sum = 0;
    for (std::size_t j = i; j < i + samples; ++j) sum += frames[j] * frames[j];
    rms.push_back(std::sqrt(sum / static_cast<double>(samples)));
  }
  return rms;
}

std::size_t checked_channels(const Stream& stream) {
  if (stream.channels() == 1 || stream.channels() == 2) {
    return static_cast<std::size_t>(stream.channels());
  }
  throw Error(ExitCode::kUsage, fmt::format("{}: {} input channels; a session takes 1 or 2",
                                            stream.name(), stream.channels()));
}

}  // namespace

Session::Session(std::unique_ptr<Stream> stream, std::optional<Chain> chain,
                 SessionSettings settings)
    : stream_(std::move(stream)),
      chain_(std::move(chain)),
      settings_(std::move(settings)),
      channels_(checked_channels(*stream_)),
      residual_(residual_of(chain_)),
      drive_(stream_->sample_rate(), channels_, chain_) {
  if (has_output()) stream_->play(drive_.signal());
}

Session::~Session() {
  try {
    if (!has_output() || drive_.is_silent()) return;
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
  context.residual = residual_;
  if (is_playing()) context.drive_dbfs = drive_dbfs();
  return context;
}

Findings Session::begin_findings(const std::string& measurement) const {
  Findings findings;
  findings.measurement = measurement;
  findings.started_s = findings.ended_s = static_cast<double>(frames_read_) / sample_rate().hz;
  findings.taken = utc_now();
  findings.conditions = context_conditions(context());
  findings.conditions.push_back({"stream", stream_->name()});
  if (is_playing()) findings.conditions.push_back({"drive_dbfs", drive_dbfs()});
  findings.conditions.insert(findings.conditions.end(), settings_.conditions.begin(),
                             settings_.conditions.end());
  if (chain_) findings.cautions = foreign_cautions(*chain_, *stream_);
  return findings;
}

void Session::start(Hertz frequency, double level_dbfs, std::uint32_t channels) {
  drive_.play(frequency, level_dbfs, channels);
  changed_at_ = stream_->frames_played();
}

void Session::play(Hertz frequency, double level_dbfs, std::uint32_t channels) {
  if (!has_output()) {
    throw Error(ExitCode::kUsage,
                stream_->name() + ": opened without an output; name one to play a tone");
  }
  drive_.check_playable(frequency, level_dbfs);
  try {
    for (int rounds = 0; rounds < kMostRounds; ++rounds) {
      const double next_dbfs = drive_.next_level(frequency, level_dbfs, channels);
      if (next_dbfs < level_dbfs && is_delay_sought(level_dbfs)) {
        drive_.set_channels(channels);
        measure_loop_delay(level_dbfs);
        continue;
      }
      start(frequency, next_dbfs, channels);
      if (next_dbfs >= level_dbfs) return;
      observe_step();
    }
    throw Error(ExitCode::kRefused, stream_->name() + ": the level does not settle; not played");
  } catch (const Error&) {
    silence();
    throw;
  }
}

// Reads what the tone now playing gives, so that the next one can be predicted.
void Session::observe_step() {
  settle(drive_.settling_s());
  discard(std::llround(drive_.window_s() * sample_rate().hz));
}

void Session::silence() {
  if (!has_output()) return;
  drive_.silence();
  changed_at_ = stream_->frames_played();
}

std::int64_t Session::settled_at(double settling_s) const {
  return changed_at_ + std::max<std::int64_t>(0, loop_delay_frames_) +
         std::llround((kRamp_s + settling_s) * sample_rate().hz);
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
    const bool was_playing = is_playing();
    const std::int64_t begins = frames_read_ - static_cast<std::int64_t>(count);
    drive_.observe(part.first(count * channels_),
                   loop_delay_frames_ >= 0 && begins >= settled_at(drive_.settling_s()));
    if (was_playing && !is_playing()) changed_at_ = stream_->frames_played();
    if (is_playing() && settings_.is_stopped && settings_.is_stopped()) {
      silence();
      throw Stopped();
    }
  }
}

void Session::refuse_if_cut(const char* what) const {
  if (was_cut()) throw Error(ExitCode::kRefused, fmt::format("{}: {}", what, drive_.cut_text()));
}

void Session::rest_before(Hertz frequency, double level_dbfs, double duration_s, Progress& progress,
                          double fraction, std::uint32_t channels) {
  const std::optional<double> watts = drive_.predicted_watts(frequency, level_dbfs, channels);
  if (!watts) return;
  const bool is_dwell = drive_.is_dwelling(frequency, *watts);
  for (;;) {
    const double rest_s = drive_.rest_s(frequency, *watts, duration_s);
    if (std::isinf(rest_s)) {
      throw Error(ExitCode::kRefused,
                  fmt::format("{:.3g} W at {:.5g} Hz for {:.2g} s is more than {} stands, even "
                              "rested; lower the level, or read for a shorter time",
                              *watts, frequency.value, duration_s,
                              is_dwell ? "an output network" : "the load"));
    }
    if (rest_s <= 0 || progress.is_cancelled()) return;
    if (is_playing()) silence();
    progress.report(fraction,
                    fmt::format("{}, {:.0f} s", is_dwell ? "output network rests" : "load cools",
                                std::ceil(rest_s)));
    idle(std::min(rest_s + kChunk_s, 0.5));
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

bool Session::is_delay_sought(double level_dbfs) const {
  if (loop_delay_frames_ < 0) return true;
  return unheard_dbfs_ && level_dbfs >= *unheard_dbfs_ + 10;
}

// Louder and louder, as far as the drive allows, until a burst comes back.
void Session::measure_loop_delay(double level_dbfs) {
  const double fs = sample_rate().hz;
  const std::uint32_t channels = drive_.channels();
  // Out of silence, whatever has been playing.
  const bool was_silent = drive_.is_silent();
  silence();
  if (!was_silent) discard(std::llround(kUnheardDelay_s * fs));
  std::vector<double> quiet(static_cast<std::size_t>(4 * kChunk_s * fs) * channels_);
  loop_delay_frames_ = std::max<std::int64_t>(loop_delay_frames_, 0);
  read_all(quiet);
  const auto window = static_cast<std::size_t>(kWindow_s * fs) * channels_;
  const std::vector<double> floor = rms_windows(quiet, window);
  const double floor_rms = *std::max_element(floor.begin(), floor.end());
  for (;;) {
    const double next_dbfs = drive_.next_level(kBurst, level_dbfs, channels);
    start(kBurst, next_dbfs, channels);
    if (find_burst(floor_rms)) {
      unheard_dbfs_.reset();
      return;
    }
    loop_delay_frames_ = std::llround(kUnheardDelay_s * fs);
    unheard_dbfs_ = next_dbfs;
    if (next_dbfs >= level_dbfs || was_cut()) return;
    observe_step();
  }
}

bool Session::find_burst(double floor_rms) {
  const double fs = sample_rate().hz;
  constexpr double kAboveFloor = 3;
  constexpr std::size_t kSteady = 20;  // windows
  const auto window = static_cast<std::size_t>(kWindow_s * fs) * channels_;
  const std::int64_t first = frames_read_;
  std::vector<double> frames;
  std::vector<double> chunk(window * kSteady / 2);
  while (static_cast<double>(frames_read_ - first) < kLongestDelay_s * fs) {
    read_all(chunk);
    frames.insert(frames.end(), chunk.begin(), chunk.end());
    const std::vector<double> rms = rms_windows(frames, window);
    if (rms.size() < kSteady) continue;
    const auto extremes = std::minmax_element(rms.end() - kSteady, rms.end());
    const double low = *extremes.first;
    const double high = *extremes.second;
    // Heard, and no longer rising.
    if (!(low > kAboveFloor * floor_rms) || high > 1.2 * low) continue;
    const auto rise = std::find_if(rms.begin(), rms.end(), [&](double r) { return r > high / 2; });
    const auto at = first + static_cast<std::int64_t>(static_cast<std::size_t>(rise - rms.begin()) *
                                                      window / channels_);
    loop_delay_frames_ =
        std::max<std::int64_t>(0, at - changed_at_ - std::llround(kRamp_s / 2 * fs));
    return true;
  }
  return false;
}

void Session::settle(double settling_s) {
  if (!has_output()) return;
  if (is_playing() && is_delay_sought(drive_dbfs())) {
    const Hertz wanted = drive_.frequency();
    const double level_dbfs = drive_dbfs();
    measure_loop_delay(level_dbfs);
    if (was_cut()) return;
    play(wanted, level_dbfs, drive_.channels());
  }
  const std::int64_t until = settled_at(settling_s);
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
