// What the tests of measurements share: a simulated bench that is watched, an operator and a
// progress that follow a script.
#pragma once

#include <algorithm>
#include <cmath>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "bench_probe.h"
#include "findings/check.h"
#include "findings/error.h"
#include "measure/measurement.h"
#include "measure/session.h"
#include "measure/steps.h"

namespace sinewright {

/// All that went through a stream: what was asked to be played, and what came back.
struct Journal {
  std::vector<double> played;  ///< interleaved, two channels
  std::vector<double> read;    ///< the same

  [[nodiscard]] double highest_played() const {
    double highest = 0;
    for (const double x : played) highest = std::max(highest, std::abs(x));
    return highest;
  }
  /// Largest step between frames that follow each other in one channel.
  [[nodiscard]] double largest_step() const {
    double largest = 0;
    for (std::size_t i = 2; i < played.size(); ++i) {
      largest = std::max(largest, std::abs(played[i] - played[i - 2]));
    }
    return largest;
  }
  /// Watts at the terminals of a channel, window by window of 20 ms.
  [[nodiscard]] std::vector<double> watts(std::size_t channel, double ratio) const {
    constexpr std::size_t kWindow = 960;
    std::vector<double> found;
    for (std::size_t n = 0; n + kWindow <= read.size() / 2; n += kWindow) {
      double sum = 0;
      for (std::size_t i = n; i < n + kWindow; ++i) sum += std::pow(read[2 * i + channel], 2);
      const double volts = std::sqrt(2 * sum / kWindow) * 2.0 * ratio;  // full scale: 2 Vrms
      found.push_back(volts * volts / 8.0);
    }
    return found;
  }
};

/// Passes a signal on and writes down what it was asked for.
class WatchedSignal final : public Signal {
 public:
  WatchedSignal(std::shared_ptr<Signal> inner, Journal& journal)
      : inner_(std::move(inner)), journal_(journal) {}
  void fill(std::span<double> frames, int channels) override {
    inner_->fill(frames, channels);
    journal_.played.insert(journal_.played.end(), frames.begin(), frames.end());
  }

 private:
  std::shared_ptr<Signal> inner_;
  Journal& journal_;
};

/// A simulated bench whose frames are written down; may end like an unplugged device.
class WatchedBench final : public Stream {
 public:
  WatchedBench(const Scenario& scenario, SampleRate fs, Journal& journal)
      : bench(scenario, fs), journal_(journal) {}

  [[nodiscard]] std::string name() const override { return bench.name(); }
  [[nodiscard]] SampleRate sample_rate() const override { return bench.sample_rate(); }
  [[nodiscard]] int channels() const override { return 2; }
  [[nodiscard]] int output_channels() const override { return 2; }
  [[nodiscard]] std::size_t read(std::span<double> samples) override {
    if (frames_read >= ends_at) return 0;
    if (before_read) before_read();
    const std::size_t count = bench.read(samples);
    frames_read += static_cast<std::int64_t>(count);
    for (std::size_t n = 0; change && n < count; ++n) change(samples[2 * n], samples[2 * n + 1]);
    journal_.read.insert(journal_.read.end(), samples.begin(),
                         samples.begin() + static_cast<std::ptrdiff_t>(2 * count));
    return count;
  }
  [[nodiscard]] std::span<const std::int64_t> gaps() const override { return bench.gaps(); }
  void play(std::shared_ptr<Signal> signal) override {
    bench.play(std::make_shared<WatchedSignal>(std::move(signal), journal_));
  }
  [[nodiscard]] std::int64_t frames_played() const override { return bench.frames_played(); }

  SimulatedBench bench;
  std::int64_t frames_read = 0;
  std::int64_t ends_at = INT64_MAX;
  std::function<void()> before_read;
  std::function<void(double&, double&)> change;  ///< of each frame read: what the system does to it

 private:
  Journal& journal_;
};

/// Answers as told and remembers what it was asked.
class ScriptedOperator : public Operator {
 public:
  [[nodiscard]] bool confirms(const std::string& text) override {
    asked.push_back(text);
    if (on_question) on_question(text);
    return consents;
  }
  [[nodiscard]] bool is_done_turning(const std::string& text) override {
    turning.push_back(text);
    return !on_turning || on_turning(text);
  }
  [[nodiscard]] bool wires(Wiring wiring, const std::string& text) override {
    asked.push_back(text);
    if (on_wiring) on_wiring(wiring);
    return consents;
  }
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string& text,
                                                  const std::function<void()>& meanwhile) override {
    asked.push_back(text);
    meanwhile();
    return on_meter ? on_meter(point) : std::nullopt;
  }
  bool consents = true;
  std::function<void(Wiring)> on_wiring;
  std::function<std::optional<double>(const MeterPoint&)> on_meter;
  std::vector<std::string> asked;
  std::vector<std::string> turning;
  std::function<void(const std::string&)> on_question;
  std::function<bool(const std::string&)> on_turning;
};

/// Cancels at the n-th report, counted from 1; never when 0.
class ScriptedProgress final : public Progress {
 public:
  explicit ScriptedProgress(int cancels_at = 0) : cancels_at_(cancels_at) {}
  void report(double fraction, const std::string&) override {
    ++reports;
    is_in_range = is_in_range && fraction >= 0 && fraction <= 1;
  }
  [[nodiscard]] bool is_cancelled() const override {
    return cancels_at_ > 0 && reports >= cancels_at_;
  }
  int reports = 0;
  bool is_in_range = true;

 private:
  int cancels_at_;
};

/// A session at a watched bench, its volume at -20 dB; the journal outlives the session's end.
struct BenchRun {
  explicit BenchRun(const std::string& state, const std::string& range = "high")
      : BenchRun(larkfield(state), range) {}
  explicit BenchRun(Scenario told, const std::string& range = "high") : scenario(std::move(told)) {
    auto stream = std::make_unique<WatchedBench>(scenario, SampleRate{48000}, journal);
    watched = stream.get();
    stream->bench.set_volume_db(-20);
    stream->bench.set_range(range);
    const Profile profile =
        read_profile(std::string(SINEWRIGHT_SOURCE_DIR) + "/calibration/simulated-bench.toml");
    session = std::make_unique<Session>(std::move(stream), Chain(profile, range),
                                        SessionSettings{{}, {{"operator", std::string("test")}}});
  }
  [[nodiscard]] SimulatedBench& bench() const { return watched->bench; }

  Scenario scenario;
  Journal journal;
  WatchedBench* watched = nullptr;  // the session's
  std::unique_ptr<Session> session;
};

inline const Curve* find_curve(const Findings& findings, const std::string& key,
                               const std::string& channel) {
  const auto at = std::find_if(
      findings.curves.begin(), findings.curves.end(),
      [&](const Curve& curve) { return curve.key == key && curve.channel == channel; });
  return at == findings.curves.end() ? nullptr : &*at;
}

inline bool has_caution(const Findings& findings, const std::string& code) {
  return std::any_of(findings.cautions.begin(), findings.cautions.end(),
                     [&](const Caution& caution) { return caution.code == code; });
}

/// The exit code of the Error that `act` throws; kFailure's 1 never means a measurement refused.
inline std::optional<ExitCode> code_of(const std::function<void()>& act) {
  try {
    act();
  } catch (const Error& error) {
    return error.code();
  }
  return std::nullopt;
}

inline const char* channel_name(std::size_t channel) { return channel == 0 ? "left" : "right"; }

}  // namespace sinewright
