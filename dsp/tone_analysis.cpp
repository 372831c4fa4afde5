#include "dsp/tone_analysis.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/block_cutter.h"
#include "dsp/tone_state.h"

namespace sinewright {

ToneAnalyzer::ToneAnalyzer(std::shared_ptr<const TonePlan> plan, std::span<const double> guess_hz)
    : state_(std::make_unique<State>(std::move(plan), guess_hz)) {}
ToneAnalyzer::~ToneAnalyzer() = default;
ToneAnalyzer::ToneAnalyzer(ToneAnalyzer&&) noexcept = default;
ToneAnalyzer& ToneAnalyzer::operator=(ToneAnalyzer&&) noexcept = default;

std::size_t ToneAnalyzer::block_frames() const { return state_->plan->n; }

void ToneAnalyzer::begin_segment() {
  // Phases do not continue over a gap; what they have said so far about the frequency is kept only
  // when the next segment brings none.
  for (ToneSums& channel : state_->gathered) {
    channel.has_last_phase = false;
    channel.phase = Regression();
  }
}

void ToneAnalyzer::add_block(std::span<const double> frames, std::int64_t start, double weight) {
  State& s = *state_;
  if (frames.size() != s.plan->n * s.channels()) {
    throw std::invalid_argument("ToneAnalyzer: a block has " + std::to_string(s.plan->n) +
                                " frames, got " + std::to_string(frames.size() / s.channels()));
  }
  s.split_channels(frames);
  s.flat_fits.resize(s.channels());
  s.block_harmonics.resize(s.channels());
  s.subtract_tones();
  s.transform_residuals();
  const double start_s = static_cast<double>(start) / s.plan->fs.hz;
  for (std::size_t c = 0; c < s.channels(); ++c) {
    s.add_channel(c, start_s, weight);
    const double period = s.plan->fs.hz / s.groups[s.group_of[c]].fitter.basis_frequency_hz();
    for (Disturbance found : find_disturbances(s.samples[c], s.residual[c], period,
                                               std::abs(s.flat_fits[c].terms[0]))) {
      found.frame += start;
      ++s.disturbance_count;
      if (s.disturbances.size() < kMostDisturbances) s.disturbances.push_back(found);
    }
  }
  if (s.channels() == 2 && s.groups.size() == 1) {
    const auto mean = [](const ToneFit& fit) { return fit.terms[0] + fit.terms[2] / 3.0; };
    s.pair_sum += weight * mean(s.flat_fits[1]) * std::conj(mean(s.flat_fits[0]));
  }
  s.run_notch(frames, weight);
  ++s.blocks;
}

ToneAnalysis ToneAnalyzer::result() const {
  const State& s = *state_;
  if (s.blocks == 0) throw std::logic_error("ToneAnalyzer: no block yet");
  ToneAnalysis result;
  for (std::size_t c = 0; c < s.channels(); ++c) {
    result.channels.push_back(
        tone_figures(*s.plan, s.groups[s.group_of[c]], s.gathered[c], s.blocks));
  }
  result.residuals = s.residuals;
  if (s.channels() == 2 && s.groups.size() == 1 && std::abs(s.pair_sum) > 0) {
    result.pair = TonePair{std::arg(s.pair_sum) * 180 / std::numbers::pi};
  }
  result.disturbances = s.disturbances;
  result.disturbance_count = s.disturbance_count;
  result.blocks = s.blocks;
  result.block_s = static_cast<double>(s.plan->n) / s.plan->fs.hz;
  return result;
}

std::optional<ToneAnalysis> analyze_tone(std::span<const double> frames, SampleRate fs,
                                         std::span<const double> guess_hz,
                                         const ToneSettings& settings) {
  const std::size_t channels = guess_hz.size();
  const std::size_t count = frames.size() / channels;
  const double lowest_hz = *std::min_element(guess_hz.begin(), guess_hz.end());
  const std::size_t block = tone_block_frames(count, fs, lowest_hz, settings);
  if (block == 0 || lowest_hz * static_cast<double>(block) / fs.hz < kFewestPeriods - 0.3) {
    return std::nullopt;
  }
  ToneAnalyzer analyzer(make_tone_plan(fs, block, settings), guess_hz);
  BlockCutter cutter(channels, block, block);
  const auto begin = [](std::size_t) {};
  const auto take = [&](std::span<const double> part, std::int64_t start, double weight) {
    analyzer.add_block(part, start, weight);
  };
  cutter.add(0, frames, begin, take);
  cutter.end_segment([&](std::size_t) { return block; }, begin, take);
  return analyzer.result();
}

}  // namespace sinewright
