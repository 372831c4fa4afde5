// From plateaus to findings: what was found steady is measured as what it is.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <utility>
#include <vector>

#include "dsp/noise_analysis.h"
#include "dsp/plateau.h"
#include "dsp/tone_analysis.h"
#include "dsp/two_tone.h"
#include "findings/findings.h"
#include "measure/analyze.h"
#include "measure/reading_context.h"

namespace sinewright {

/// Plans by rate and block length, kept from plateau to plateau and recording to recording; for one
/// set of settings. May be shared between threads.
class PlanCache {
 public:
  explicit PlanCache(const ToneSettings& settings) : settings_(settings) {}
  [[nodiscard]] std::shared_ptr<const TonePlan> plan(SampleRate fs, std::size_t block_frames);
  [[nodiscard]] const ToneSettings& settings() const { return settings_; }

 private:
  ToneSettings settings_;
  std::mutex mutex_;
  std::map<std::pair<double, std::size_t>, std::shared_ptr<const TonePlan>> plans_;
};

/// Listens to a plateau detector and hands findings on, one for each plateau. Memory: five blocks.
class PlateauMeasurer final : public PlateauListener {
 public:
  PlateauMeasurer(const ReadingContext& context, TakenAs taken_as, PlanCache& plans,
                  std::function<void(Findings)> show);
  ~PlateauMeasurer() override;

  void on_begin(const PlateauStart& start) override;
  void on_frames(std::int64_t first, std::span<const double> frames) override;
  void on_break(const PlateauBreak& gap) override;
  void on_end(std::int64_t end) override;

 private:
  class Measure;
  class ToneMeasure;
  class TwoToneMeasure;
  class NoiseMeasure;

  [[nodiscard]] Findings begin_findings(const char* measurement) const;

  ReadingContext context_;
  TakenAs taken_as_;
  PlanCache& plans_;
  std::function<void(Findings)> show_;
  PlateauStart start_{};
  std::unique_ptr<Measure> measure_;
  std::vector<Caution> breaks_;
};

}  // namespace sinewright
