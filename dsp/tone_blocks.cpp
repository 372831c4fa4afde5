// The work on one block: spectrum path first, then the notch path.
#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/phase.h"
#include "dsp/sine_fit.h"
#include "dsp/tone_state.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

// Steady state of the notch path is set for this many harmonics; the rest settles.
constexpr std::size_t kSteadyHarmonics = 30;

std::span<const double> window_terms() { return window_coefficients(TonePlan::kWindow); }

}  // namespace

ToneAnalyzer::State::State(std::shared_ptr<const TonePlan> tone_plan,
                           std::span<const double> guess_hz)
    : plan(std::move(tone_plan)), guesses(guess_hz.begin(), guess_hz.end()) {
  const std::size_t channels = guesses.size();
  if (channels < 1 || channels > 2) {
    throw std::invalid_argument("ToneAnalyzer: 1 or 2 channels, got " + std::to_string(channels));
  }
  const double margin_hz = (kFewestPeriods - 0.5) * plan->bin_hz;
  for (std::size_t c = 0; c < channels; ++c) {
    const double guess = guesses[c];
    if (!(guess > margin_hz && guess < plan->fs.hz / 2 - margin_hz)) {
      throw std::invalid_argument("ToneAnalyzer: " + std::to_string(guess) +
                                  " Hz is too near to 0 or fs/2 for a block of " +
                                  std::to_string(plan->n) + " frames");
    }
    std::size_t g = 0;
    while (g < groups.size() && guesses[groups[g].members.front()] != guess) ++g;
    if (g == groups.size()) {
      groups.push_back(
          {ToneFitter(plan->fs, plan->window, window_terms()), {}, false, std::nullopt, 0, {}});
    }
    groups[g].members.push_back(c);
    group_of.push_back(g);
  }
  gathered.resize(channels);
  for (ToneSums& channel : gathered) channel.noise.assign(plan->n / 2 + 1, 0.0);
  residuals.resize(channels);
  samples.assign(channels, std::vector<double>(plan->n));
  residual.assign(channels, std::vector<double>(plan->n));
  packed.resize(plan->n);
  transformed.resize(plan->n);
  spectra.assign(channels, std::vector<Complex>(plan->n / 2 + 1));
  power.resize(plan->n / 2 + 1);
}

void ToneAnalyzer::State::split_channels(std::span<const double> frames) {
  const std::size_t count = channels();
  if (count == 1) {
    std::copy(frames.begin(), frames.end(), samples[0].begin());
    return;
  }
  for (std::size_t i = 0; i < plan->n; ++i) {
    samples[0][i] = frames[2 * i];
    samples[1][i] = frames[2 * i + 1];
  }
}

// Finds the frequency on the first block, from the member that carries the tone.
void ToneAnalyzer::State::settle(ToneGroup& group) {
  const double guess = guesses[group.members.front()];
  std::size_t strongest = group.members.front();
  double most = -1;
  group.fitter.set_frequency({guess});
  for (const std::size_t c : group.members) {
    const double magnitude = std::abs(group.fitter.moments(samples[c]).windowed.projections[0]);
    if (magnitude > most) {
      most = magnitude;
      strongest = c;
    }
  }
  // A guess as good as the plateau detector's needs no search.
  const ToneFit fit = group.fitter.fit_windowed(group.fitter.moments(samples[strongest]).windowed);
  const double shift_rad = std::abs((fit.terms[1] / fit.terms[0]).imag());
  const double refined =
      shift_rad < 0.3 ? guess : refine_frequency(samples[strongest], plan->fs, {guess}).value;
  const double highest = plan->fs.hz / 2 - (kFewestPeriods - 1) * plan->bin_hz;
  settle_frequency(group.fitter, samples[strongest],
                   {std::clamp(refined, (kFewestPeriods - 1) * plan->bin_hz, highest)});
  group.is_settled = true;
}

void ToneAnalyzer::State::prepare_lines(ToneGroup& group) {
  const double tone_hz = group.fitter.basis_frequency_hz();
  const double moved_bins = std::abs(tone_hz - group.lines_hz) / plan->bin_hz;
  const double edge_hz =
      std::min(plan->settings.band.high_edge_hz(), plan->fs.hz / 2 - 4.5 * plan->bin_hz);
  if (group.lines && moved_bins * std::max(2.0, edge_hz / tone_hz) < 1e-3) return;
  std::vector<double> bins;
  group.orders.clear();
  for (int order = 2; order * tone_hz <= edge_hz; ++order) {
    group.orders.push_back(order);
    bins.push_back(order * tone_hz / plan->bin_hz);
  }
  group.lines.emplace(window_terms(), plan->n, std::move(bins));
  group.lines_hz = tone_hz;
  for (const std::size_t c : group.members) {
    // Orders come and go only with a frequency near the band edge.
    gathered[c].ratio.resize(group.orders.size());
  }
}

void ToneAnalyzer::State::subtract_tones() {
  // The basis moves when what it is off by would leave more than the cube of this.
  constexpr double kMostShift_rad = 1e-3;
  std::vector<ToneFit> fits(channels());
  block_moments.resize(channels());
  for (ToneGroup& group : groups) {
    if (!group.is_settled) settle(group);
    for (int attempt = 0; attempt < 3; ++attempt) {
      std::size_t strongest = group.members.front();
      for (const std::size_t c : group.members) {
        block_moments[c] = group.fitter.moments(samples[c]);
        fits[c] = group.fitter.fit_windowed(block_moments[c].windowed);
        if (std::abs(fits[c].terms[0]) > std::abs(fits[strongest].terms[0])) strongest = c;
      }
      const ToneFit& leading = fits[strongest];
      const double magnitude = std::abs(leading.terms[0]);
      const double shift_rad =
          magnitude > 0 ? std::abs((leading.terms[1] / leading.terms[0]).imag()) : 0;
      if (shift_rad < kMostShift_rad || shift_rad > 1) break;
      group.fitter.set_frequency({leading.frequency_hz});
    }
    for (const std::size_t c : group.members) {
      group.fitter.subtract(samples[c], fits[c], residual[c]);
    }
    prepare_lines(group);
  }
}

void ToneAnalyzer::State::transform_residuals() {
  // Plain loops over real and imaginary parts, which vectorise; arrays of complex are laid out so.
  const std::size_t n = plan->n;
  const double* window = plan->window.data();
  const double* left = residual[0].data();
  const double* right = residual.back().data();
  const double keep = channels() == 2 ? 1 : 0;
  double* in = reinterpret_cast<double*>(packed.data());
  for (std::size_t i = 0; i < n; ++i) {
    in[2 * i] = window[i] * left[i];
    in[2 * i + 1] = keep * window[i] * right[i];
  }
  plan->fft.transform(packed, transformed);
  if (channels() == 1) {
    std::copy_n(transformed.begin(), n / 2 + 1, spectra[0].begin());
    return;
  }
  spectra[0][0] = transformed[0].real();
  spectra[1][0] = transformed[0].imag();
  const double* z = reinterpret_cast<const double*>(transformed.data());
  double* first = reinterpret_cast<double*>(spectra[0].data());
  double* second = reinterpret_cast<double*>(spectra[1].data());
  for (std::size_t m = 1; m <= n / 2; ++m) {
    const double re = z[2 * m];
    const double im = z[2 * m + 1];
    const double mirror_re = z[2 * (n - m)];
    const double mirror_im = z[2 * (n - m) + 1];
    first[2 * m] = 0.5 * (re + mirror_re);
    first[2 * m + 1] = 0.5 * (im - mirror_im);
    second[2 * m] = 0.5 * (im + mirror_im);
    second[2 * m + 1] = 0.5 * (mirror_re - re);
  }
}

// Continues the phase of the tone from block to block: over the whole stretch it gives the
// frequency far more sharply than the blocks do one by one.
void ToneAnalyzer::State::follow_phase(ToneSums& g, const ToneFitter& fitter, const ToneFit& fit,
                                       double time_s, double weight) {
  const double reference_hz = fitter.basis_frequency_hz();
  const Complex mean = fit.terms[0] + fit.terms[2] / 3.0;
  // Phase at mid-block less that of `reference_hz` since time 0, kept as a phase of the true tone.
  const double turns = reference_hz * time_s;
  double phase = std::arg(mean) - kTwoPi * (turns - std::floor(turns)) + kTwoPi * turns;
  if (g.has_last_phase) {
    const double expected = g.last_phase + kTwoPi * fit.frequency_hz * (time_s - g.last_time);
    phase += kTwoPi * std::round((expected - phase) / kTwoPi);
  }
  g.phase.add(time_s, phase, weight);
  g.has_last_phase = true;
  g.last_phase = phase;
  g.last_time = time_s;
}

void ToneAnalyzer::State::add_channel(std::size_t c, double start_s, double weight) {
  ToneSums& g = gathered[c];
  ToneGroup& group = groups[group_of[c]];
  std::vector<Complex>& spectrum = spectra[c];
  std::vector<Complex>& phasors = block_harmonics[c];
  phasors = group.lines->take_out(spectrum);
  for (std::size_t m = 0; m < spectrum.size(); ++m) power[m] = std::norm(spectrum[m]);
  group.lines->restore_noise(power);
  for (std::size_t m = 0; m < spectrum.size(); ++m) g.noise[m] += weight * power[m];

  std::vector<HarmonicPhasor> harmonics;
  for (std::size_t i = 0; i < phasors.size(); ++i) {
    harmonics.push_back({group.orders[i], phasors[i]});
  }
  flat_fits[c] = group.fitter.fit_flat(block_moments[c].flat, harmonics);
  const ToneFit& fit = flat_fits[c];
  const Complex mean = fit.terms[0] + fit.terms[2] / 3.0;
  const double magnitude = std::abs(mean);

  const Complex unit = magnitude > 0 ? mean / magnitude : Complex(1);
  Complex turn = unit;
  int turned = 1;
  for (std::size_t i = 0; i < phasors.size(); ++i) {
    while (turned < group.orders[i]) {
      turn *= unit;
      ++turned;
    }
    const Complex ratio = magnitude > 0 ? phasors[i] * std::conj(turn) / magnitude : Complex(0);
    g.ratio[i] += weight * ratio;
  }
  g.weight += weight;
  g.fundamental_ms += weight * magnitude * magnitude / 2;
  g.offset += weight * fit.offset;
  g.block_frequency += weight * fit.frequency_hz;
  g.block_drift_db_per_s += weight * fit.level_drift_db_per_s;
  g.block_drift_hz_per_s += weight * fit.frequency_drift_hz_per_s;
  const double middle_s = start_s + static_cast<double>(plan->n) / (2 * plan->fs.hz);
  follow_phase(g, group.fitter, fit, middle_s, weight);
  if (magnitude > 0) g.level_db.add(middle_s, db_of_amplitude_ratio(magnitude), weight);
  g.frequency.add(middle_s, fit.frequency_hz, weight);

  const auto n = static_cast<Eigen::Index>(plan->n);
  const double residual_rms =
      std::sqrt(Eigen::Map<const Eigen::VectorXd>(residual[c].data(), n).squaredNorm() /
                static_cast<double>(n));
  const double in_band = Eigen::Map<const Eigen::VectorXd>(
                             power.data() + plan->band_begin,
                             static_cast<Eigen::Index>(plan->band_end - plan->band_begin))
                             .sum();
  const double noise_rms = std::min(residual_rms, std::sqrt(in_band * plan->bin_power));
  update_peaks(g.peaks, samples[c], residual[c], noise_rms);
}

void ToneAnalyzer::State::keep_residual(std::size_t c, std::span<const double> notch_out,
                                        std::size_t stride, std::size_t from) {
  constexpr std::size_t kMostSamples = 8192;
  constexpr std::size_t kPeriodPoints = 256;
  const ToneGroup& group = groups[group_of[c]];
  const double tone_hz = group.fitter.basis_frequency_hz();
  const auto four_periods = static_cast<std::size_t>(std::ceil(4 * plan->fs.hz / tone_hz));
  const std::size_t count =
      std::min({std::max<std::size_t>(four_periods, 64), kMostSamples, plan->n - from});
  ResidualWaveform& kept = residuals[c];
  for (std::size_t i = 0; i < count; ++i) kept.samples.push_back(notch_out[(from + i) * stride]);

  // In step with the tone: phase 0 is the top of its cosine.
  const Complex mid = flat_fits[c].terms[0];
  const std::uint64_t step = phase_step({tone_hz}, plan->fs);
  std::uint64_t phase = phase_of_radians(std::arg(mid)) + step * (from - plan->n / 2);
  std::vector<double> sums(kPeriodPoints, 0.0);
  std::vector<double> counts(kPeriodPoints, 0.0);
  for (std::size_t i = from; i < plan->n; ++i, phase += step) {
    const auto point = static_cast<std::size_t>(phase >> 56);
    sums[point] += notch_out[i * stride];
    ++counts[point];
  }
  kept.averaged_period.assign(kPeriodPoints, 0.0);
  for (std::size_t i = 0; i < kPeriodPoints; ++i) {
    if (counts[i] > 0) kept.averaged_period[i] = sums[i] / counts[i];
  }
}

void ToneAnalyzer::State::run_notch(std::span<const double> frames, double weight) {
  for (const ToneGroup& group : groups) {
    const std::size_t members = group.members.size();
    if (members == channels()) {
      notched.assign(frames.begin(), frames.end());
    } else {
      notched = samples[group.members.front()];
    }
    const double half_s = static_cast<double>(plan->n) / (2 * plan->fs.hz);
    std::size_t strongest = group.members.front();
    for (const std::size_t c : group.members) {
      if (std::abs(flat_fits[c].terms[0]) > std::abs(flat_fits[strongest].terms[0])) strongest = c;
    }
    // Without a tone there the fit can run off; its basis is then as good a centre as any.
    const double fitted_hz = flat_fits[strongest].frequency_hz;
    const bool is_sound = fitted_hz > 0 && fitted_hz < plan->fs.hz / 2;
    const double centre_hz = is_sound ? fitted_hz : group.fitter.basis_frequency_hz();
    std::vector<std::vector<SteadyTone>> tones;
    for (const std::size_t c : group.members) {
      // Phases stand at mid-block; the filter wants those of sample 0.
      const auto at_start = [&](Complex mid, double hz) {
        const Complex start =
            mid * std::conj(unit_phasor(phase_step({hz}, plan->fs) * (plan->n / 2)));
        return SteadyTone{hz, std::abs(start), std::arg(start)};
      };
      std::vector<SteadyTone> list = {
          at_start(flat_fits[c].terms[0] - flat_fits[c].terms[1] + flat_fits[c].terms[2],
                   group.fitter.basis_frequency_hz()),
          {0, flat_fits[c].offset, 0}};
      const std::size_t count = std::min(kSteadyHarmonics, block_harmonics[c].size());
      for (std::size_t i = 0; i < count; ++i) {
        list.push_back(
            at_start(block_harmonics[c][i], group.orders[i] * group.fitter.basis_frequency_hz()));
      }
      tones.push_back(std::move(list));
    }
    const std::vector<NotchReading> readings = plan->notch.run(notched, {centre_hz}, tones);
    for (std::size_t i = 0; i < members; ++i) {
      const std::size_t c = group.members[i];
      ToneSums& g = gathered[c];
      g.notch_ms += weight * readings[i].mean_square;
      g.notch_frames += static_cast<double>(plan->n - readings[i].settled_from);
      const double slope =
          std::abs(flat_fits[c].terms[1] - flat_fits[c].terms[0] * Complex(0, kTwoPi * half_s) *
                                               (centre_hz - group.fitter.basis_frequency_hz())) /
          half_s;
      const double leak = slope * plan->notch.slope_gain_s(centre_hz);
      g.notch_leak_ms += weight * leak * leak / 2 * plan->notch.band_power_gain(centre_hz);
      if (blocks == 0) {
        keep_residual(c, std::span(notched).subspan(members == 2 ? i : 0), members,
                      readings[i].settled_from);
      }
    }
  }
}

}  // namespace sinewright
