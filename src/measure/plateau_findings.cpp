#include "measure/plateau_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "dsp/block_cutter.h"
#include "measure/noise.h"
#include "measure/tone_findings.h"
#include "measure/two_tone_findings.h"

namespace sinewright {

std::shared_ptr<const TonePlan> PlanCache::plan(SampleRate fs, std::size_t block_frames) {
  constexpr std::size_t kMostPlans = 16;
  const std::lock_guard lock(mutex_);
  const std::pair key(fs.hz, block_frames);
  const auto known = plans_.find(key);
  if (known != plans_.end()) return known->second;
  if (plans_.size() >= kMostPlans) plans_.clear();
  return plans_[key] = make_tone_plan(fs, block_frames, settings_);
}

namespace {

constexpr std::size_t kPair = 2;  // channels measured together

double lowest(const std::vector<double>& frequency_hz) {
  return *std::min_element(frequency_hz.begin(), frequency_hz.end());
}

// The block for a plateau without end.
std::size_t longest_block(const std::vector<double>& frequency_hz, const ReadingContext& context,
                          const PlanCache& plans) {
  return tone_block_frames(SIZE_MAX / 4, {context.sample_rate_hz}, lowest(frequency_hz),
                           plans.settings());
}

// Channels `first` and next (as many as there are, 1 or 2) of interleaved frames.
std::vector<double> pick_channels(std::span<const double> frames, std::size_t channels,
                                  std::size_t first) {
  const std::size_t picked = std::min(kPair, channels - first);
  if (picked == channels) return {frames.begin(), frames.end()};
  const std::size_t count = frames.size() / channels;
  std::vector<double> result(count * picked);
  for (std::size_t i = 0; i < count; ++i) {
    for (std::size_t c = 0; c < picked; ++c) {
      result[i * picked + c] = frames[i * channels + first + c];
    }
  }
  return result;
}

}  // namespace

// One plateau being measured, whatever it is.
class PlateauMeasurer::Measure {
 public:
  virtual ~Measure() = default;
  virtual void add(std::int64_t first, std::span<const double> frames) = 0;
  virtual void interrupt() = 0;
  virtual void finish(Findings& findings) = 0;
};

class PlateauMeasurer::ToneMeasure final : public Measure {
 public:
  ToneMeasure(const ReadingContext& context, PlanCache& plans, std::vector<double> frequency_hz)
      : context_(context),
        plans_(plans),
        frequency_hz_(std::move(frequency_hz)),
        cutter_(context.channels.size(), longest_block(frequency_hz_, context, plans),
                least_frames(frequency_hz_, context.sample_rate_hz)) {}

  void add(std::int64_t first, std::span<const double> frames) override {
    cutter_.add(
        first, frames, [this](std::size_t n) { begin(n); },
        [this](auto block, auto start, auto weight) { take(block, start, weight); });
  }

  void interrupt() override {
    end_segment();
    for (ToneAnalyzer& analyzer : analyzers_) analyzer.begin_segment();
  }

  void finish(Findings& findings) override {
    end_segment();
    if (analyzers_.empty()) {
      append_caution(
          findings, "short",
          fmt::format("{:.3f} s hold fewer than five periods of {:.4g} Hz, or 256 frames: "
                      "not measured",
                      findings.ended_s - findings.started_s, frequency_hz_[0]));
      return;
    }
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      append_tone(findings, analyzers_[i].result(), context_, kPair * i);
    }
  }

 private:
  static std::size_t least_frames(const std::vector<double>& frequency_hz, double fs_hz) {
    const double lowest = *std::min_element(frequency_hz.begin(), frequency_hz.end());
    return std::max<std::size_t>(256,
                                 static_cast<std::size_t>((kFewestPeriods - 0.3) * fs_hz / lowest));
  }

  void begin(std::size_t block) {
    for (std::size_t c = 0; c < frequency_hz_.size(); c += kPair) {
      const std::size_t count = std::min(kPair, frequency_hz_.size() - c);
      analyzers_.emplace_back(plans_.plan({context_.sample_rate_hz}, block),
                              std::span(frequency_hz_).subspan(c, count));
    }
  }

  void take(std::span<const double> block, std::int64_t start, double weight) {
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      if (context_.channels.size() <= kPair) {
        analyzers_[i].add_block(block, start, weight);
      } else {
        analyzers_[i].add_block(pick_channels(block, context_.channels.size(), kPair * i), start,
                                weight);
      }
    }
  }

  void end_segment() {
    cutter_.end_segment(
        [this](std::size_t frames) {
          return tone_block_frames(frames, {context_.sample_rate_hz}, lowest(frequency_hz_),
                                   plans_.settings());
        },
        [this](std::size_t n) { begin(n); },
        [this](auto block, auto start, auto weight) { take(block, start, weight); });
  }

  const ReadingContext& context_;
  PlanCache& plans_;
  std::vector<double> frequency_hz_;
  BlockCutter cutter_;
  std::vector<ToneAnalyzer> analyzers_;
};

class PlateauMeasurer::TwoToneMeasure final : public Measure {
 public:
  TwoToneMeasure(const ReadingContext& context, PlanCache& plans, double first_hz, double second_hz)
      : context_(context),
        plans_(plans),
        first_hz_(first_hz),
        second_hz_(second_hz),
        cutter_(
            context.channels.size(),
            longest_block({first_hz, second_hz, std::abs(first_hz - second_hz)}, context, plans),
            least_frames(first_hz, second_hz, context.sample_rate_hz)) {}

  void add(std::int64_t first, std::span<const double> frames) override {
    cutter_.add(
        first, frames, [this](std::size_t n) { begin(n); },
        [this](auto block, auto, auto weight) { take(block, weight); });
  }

  void interrupt() override { end_segment(); }

  void finish(Findings& findings) override {
    end_segment();
    if (analyzers_.empty()) {
      append_caution(findings, "short", "too short for two tones so close or so low: not measured");
      return;
    }
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      append_two_tones(findings, analyzers_[i].result(), context_, kPair * i);
    }
  }

 private:
  static std::size_t least_frames(double first_hz, double second_hz, double fs_hz) {
    const double apart = std::min({first_hz, second_hz, std::abs(first_hz - second_hz)});
    return std::max<std::size_t>(
        256, static_cast<std::size_t>(std::ceil(1.1 * kFewestBinsApart * fs_hz / apart)));
  }

  void begin(std::size_t block) {
    for (std::size_t c = 0; c < context_.channels.size(); c += kPair) {
      const std::size_t count = std::min(kPair, context_.channels.size() - c);
      analyzers_.emplace_back(plans_.plan({context_.sample_rate_hz}, block),
                              static_cast<int>(count), Hertz{first_hz_}, Hertz{second_hz_});
    }
  }

  void take(std::span<const double> block, double weight) {
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      analyzers_[i].add_block(pick_channels(block, context_.channels.size(), kPair * i), weight);
    }
  }

  void end_segment() {
    cutter_.end_segment(
        [this](std::size_t frames) {
          return tone_block_frames(
              frames, {context_.sample_rate_hz},
              std::min({first_hz_, second_hz_, std::abs(first_hz_ - second_hz_)}),
              plans_.settings());
        },
        [this](std::size_t n) { begin(n); },
        [this](auto block, auto, auto weight) { take(block, weight); });
  }

  const ReadingContext& context_;
  PlanCache& plans_;
  double first_hz_;
  double second_hz_;
  BlockCutter cutter_;
  std::vector<TwoToneAnalyzer> analyzers_;
};

class PlateauMeasurer::NoiseMeasure final : public Measure {
 public:
  explicit NoiseMeasure(const ReadingContext& context) : context_(context) {
    NoiseSettings settings;
    settings.band = context.band;
    const std::size_t channels = context.channels.size();
    for (std::size_t c = 0; c < channels; c += kPair) {
      analyzers_.emplace_back(SampleRate{context.sample_rate_hz},
                              static_cast<int>(std::min(kPair, channels - c)), settings);
    }
  }

  void add(std::int64_t, std::span<const double> frames) override {
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      if (context_.channels.size() <= kPair) {
        analyzers_[i].push(frames);
      } else {
        analyzers_[i].push(pick_channels(frames, context_.channels.size(), kPair * i));
      }
    }
  }

  // What a break left out is a moment of noise like any other.
  void interrupt() override {}

  void finish(Findings& findings) override {
    for (std::size_t i = 0; i < analyzers_.size(); ++i) {
      const std::optional<NoiseAnalysis> analysis = analyzers_[i].result();
      if (!analysis) {
        append_caution(findings, "short", fmt::format("below {} s: not measured", kShortestNoiseS));
        return;
      }
      append_noise(findings, *analysis, context_, kPair * i);
    }
  }

 private:
  const ReadingContext& context_;
  std::vector<NoiseAnalyzer> analyzers_;
};

PlateauMeasurer::PlateauMeasurer(const ReadingContext& context, TakenAs taken_as, PlanCache& plans,
                                 std::function<void(Findings)> show)
    : context_(context), taken_as_(taken_as), plans_(plans), show_(std::move(show)) {}

PlateauMeasurer::~PlateauMeasurer() = default;

void PlateauMeasurer::on_begin(const PlateauStart& start) {
  start_ = start;
  breaks_.clear();
  measure_.reset();
  // Blocks need a few bins between the tone and half the rate.
  for (const double frequency_hz : start_.frequency_hz) {
    if (frequency_hz > 0.48 * context_.sample_rate_hz) start_.kind = PlateauKind::kUnclassified;
  }
  if (taken_as_ == TakenAs::kNoise && start_.kind != PlateauKind::kUnclassified) {
    start_.kind = PlateauKind::kNoise;
  }
  switch (start_.kind) {
    case PlateauKind::kTone:
      measure_ = std::make_unique<ToneMeasure>(context_, plans_, start_.frequency_hz);
      break;
    case PlateauKind::kTwoTones:
      measure_ = std::make_unique<TwoToneMeasure>(context_, plans_, start_.frequency_hz[0],
                                                  start_.second_hz[0]);
      break;
    case PlateauKind::kNoise:
      measure_ = std::make_unique<NoiseMeasure>(context_);
      break;
    case PlateauKind::kSilence:
    case PlateauKind::kUnclassified:
      break;
  }
}

void PlateauMeasurer::on_frames(std::int64_t first, std::span<const double> frames) {
  if (measure_) measure_->add(first, frames);
}

void PlateauMeasurer::on_break(const PlateauBreak& gap) {
  if (measure_) measure_->interrupt();
  const double at_s = static_cast<double>(gap.begin) / context_.sample_rate_hz;
  const double length_ms =
      1000 * static_cast<double>(gap.end - gap.begin) / context_.sample_rate_hz;
  if (gap.kind == PlateauBreak::Kind::kDiscontinuity) {
    breaks_.push_back(
        {"discontinuity",
         fmt::format("the tone goes on as if {:.1f} frames {} (or a whole number of periods more): "
                     "samples were lost or repeated; not in the figures",
                     std::abs(gap.shifted_frames),
                     gap.shifted_frames >= 0 ? "were missing" : "came twice"),
         "", at_s});
  } else {
    breaks_.push_back(
        {"transient",
         fmt::format("a click or dropout within {:.0f} ms; not in the figures", length_ms), "",
         at_s});
  }
}

Findings PlateauMeasurer::begin_findings(const char* measurement) const {
  Findings findings;
  findings.measurement = measurement;
  findings.conditions = context_conditions(context_);
  return findings;
}

void PlateauMeasurer::on_end(std::int64_t end) {
  const char* names[] = {"tone", "two_tones", "noise", "silence", "unclassified"};
  Findings findings = begin_findings(names[static_cast<int>(start_.kind)]);
  findings.started_s = static_cast<double>(start_.begin) / context_.sample_rate_hz;
  findings.ended_s = static_cast<double>(end) / context_.sample_rate_hz;
  if (measure_) measure_->finish(findings);
  if (start_.kind == PlateauKind::kSilence) {
    append_caution(findings, "silence",
                   "every sample is the same: nothing is connected, or the input is muted");
  }
  if (start_.kind == PlateauKind::kUnclassified) {
    append_caution(
        findings, "unclassified",
        "no steady tone or noise: music, speech, a turning knob, or more than two tones");
  }
  constexpr std::size_t kMostBreaks = 50;
  for (std::size_t i = 0; i < breaks_.size() && i < kMostBreaks; ++i) {
    findings.cautions.push_back(breaks_[i]);
  }
  if (breaks_.size() > kMostBreaks) {
    append_caution(findings, "transient",
                   fmt::format("{} interruptions in all; the first {} are "
                               "listed",
                               breaks_.size(), kMostBreaks));
  }
  measure_.reset();
  show_(std::move(findings));
}

}  // namespace sinewright
