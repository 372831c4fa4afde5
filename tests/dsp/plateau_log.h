// What the tests of plateau detection share: signals made of stretches, and a record of what was
// found.
#pragma once

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/phase.h"
#include "dsp/plateau.h"
#include "noise_signals.h"

namespace sinewright {

/// One plateau as the listener was told of it.
struct FoundPlateau {
  PlateauStart start;
  std::int64_t end = -1;
  std::int64_t frames = 0;  ///< handed over
  std::vector<PlateauBreak> breaks;
};

/// Checks what every listener relies on: frames in order and without a gap but for breaks, and
/// hands them over unchanged.
class PlateauLog final : public PlateauListener {
 public:
  PlateauLog(std::span<const double> signal, int channels) : signal_(signal), channels_(channels) {}

  void on_begin(const PlateauStart& start) override {
    CHECK_FALSE(is_open_);
    CHECK(start.begin >= next_);
    is_open_ = true;
    next_ = start.begin;
    found.push_back({start, -1, 0, {}});
  }
  void on_frames(std::int64_t first, std::span<const double> frames) override {
    REQUIRE(is_open_);
    CHECK(first == next_);
    const auto place = static_cast<std::size_t>(first * channels_);
    is_unchanged = is_unchanged && place + frames.size() <= signal_.size() &&
                   std::equal(frames.begin(), frames.end(), signal_.begin() + first * channels_);
    next_ += static_cast<std::int64_t>(frames.size()) / channels_;
    found.back().frames += static_cast<std::int64_t>(frames.size()) / channels_;
  }
  void on_break(const PlateauBreak& gap) override {
    REQUIRE(is_open_);
    CHECK(gap.begin == next_);
    CHECK(gap.end >= gap.begin);
    next_ = gap.end;
    found.back().breaks.push_back(gap);
  }
  void on_end(std::int64_t end) override {
    REQUIRE(is_open_);
    // What is not measured is not handed over.
    if (found.back().start.kind != PlateauKind::kUnclassified) CHECK(end == next_);
    is_open_ = false;
    next_ = end;
    found.back().end = end;
  }

  [[nodiscard]] bool is_open() const { return is_open_; }

  std::vector<FoundPlateau> found;
  bool is_unchanged = true;

 private:
  std::span<const double> signal_;
  int channels_;
  std::int64_t next_ = 0;
  bool is_open_ = false;
};

/// The plateaus of a whole record, pushed in pieces of `piece` frames.
inline std::vector<FoundPlateau> plateaus_of(std::span<const double> signal, SampleRate fs,
                                             int channels = 1, std::size_t piece = 8192) {
  PlateauLog log(signal, channels);
  PlateauDetector detector(fs, channels, {}, log);
  const std::size_t step = piece * static_cast<std::size_t>(channels);
  for (std::size_t i = 0; i < signal.size(); i += step) {
    detector.push(signal.subspan(i, std::min(step, signal.size() - i)));
  }
  detector.finish();
  CHECK_FALSE(log.is_open());
  CHECK(log.is_unchanged);
  return log.found;
}

/// A record of one channel, stretch by stretch.
class Stretches {
 public:
  explicit Stretches(SampleRate rate) : fs(rate) {}

  /// Appends a tone whose phase goes on from the last one; `level_dbfs` may glide.
  Stretches& tone(double frequency_hz, double level_dbfs, double duration_s,
                  double glide_db_per_s = 0) {
    const std::uint64_t step = phase_step({frequency_hz}, fs);
    const auto count = frames(duration_s);
    for (std::size_t n = 0; n < count; ++n) {
      const double db = level_dbfs + glide_db_per_s * static_cast<double>(n) / fs.hz;
      samples.push_back(amplitude_ratio_of_db(db) * unit_phasor(phase_).imag());
      phase_ += step;
    }
    return *this;
  }
  Stretches& silence(double duration_s) {
    samples.resize(samples.size() + frames(duration_s), 0.0);
    return *this;
  }
  Stretches& noise(double rms_dbfs, double duration_s, std::uint64_t seed = 1) {
    const std::size_t from = samples.size();
    samples.resize(from + frames(duration_s), 0.0);
    add_noise(std::span(samples).subspan(from), rms_of_dbfs(rms_dbfs), seed);
    return *this;
  }
  /// Adds white noise to all there is.
  Stretches& under_noise(double rms_dbfs, std::uint64_t seed = 7) {
    add_noise(samples, rms_of_dbfs(rms_dbfs), seed);
    return *this;
  }
  [[nodiscard]] std::int64_t here() const { return static_cast<std::int64_t>(samples.size()); }
  [[nodiscard]] std::size_t frames(double duration_s) const {
    return static_cast<std::size_t>(std::llround(duration_s * fs.hz));
  }

  SampleRate fs;
  std::vector<double> samples;

 private:
  std::uint64_t phase_ = 0;
};

/// Length of a hop of the detector for a tone: 10 ms, or four periods.
inline double hop_frames(SampleRate fs, double frequency_hz) {
  return std::max(0.01, 4 / frequency_hz) * fs.hz;
}

inline std::size_t count_of(const std::vector<FoundPlateau>& found, PlateauKind kind) {
  return static_cast<std::size_t>(
      std::count_if(found.begin(), found.end(),
                    [kind](const FoundPlateau& one) { return one.start.kind == kind; }));
}

}  // namespace sinewright
