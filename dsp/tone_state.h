// What a ToneAnalyzer gathers, and the steps of a block. Internal to tone_*.cpp.
#pragma once

#include <complex>
#include <memory>
#include <span>
#include <vector>

#include "dsp/tone_figures.h"

namespace sinewright {

struct ToneAnalyzer::State {
  std::shared_ptr<const TonePlan> plan;
  std::vector<double> guesses;
  std::vector<ToneGroup> groups;
  std::vector<std::size_t> group_of;
  std::vector<ToneSums> gathered;
  std::vector<ResidualWaveform> residuals;
  std::vector<Disturbance> disturbances;
  std::int64_t disturbance_count = 0;
  std::int64_t blocks = 0;
  std::complex<double> pair_sum = 0;

  // Scratch, kept between blocks so that adding one allocates next to nothing.
  std::vector<std::vector<double>> samples;
  std::vector<std::vector<double>> residual;
  std::vector<std::complex<double>> packed;
  std::vector<std::complex<double>> transformed;
  std::vector<std::vector<std::complex<double>>> spectra;
  std::vector<double> power;
  std::vector<double> notched;

  State(std::shared_ptr<const TonePlan> tone_plan, std::span<const double> guess_hz);

  std::size_t channels() const { return guesses.size(); }

  void split_channels(std::span<const double> frames);
  void settle(ToneGroup& group);
  void prepare_lines(ToneGroup& group);
  void subtract_tones();
  void transform_residuals();
  void add_channel(std::size_t c, double start_s, double weight);
  void follow_phase(ToneSums& g, const ToneFitter& fitter, const ToneFit& fit, double time_s,
                    double weight);
  void run_notch(std::span<const double> frames, double weight);
  void keep_residual(std::size_t c, std::span<const double> notch_out, std::size_t stride,
                     std::size_t from);

  std::vector<ToneFit> flat_fits;
  std::vector<std::vector<std::complex<double>>> block_harmonics;  // phasors, for each channel
  std::vector<ToneFitter::BothMoments> block_moments;
};

}  // namespace sinewright
