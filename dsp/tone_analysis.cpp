#include "dsp/tone_analysis.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/lines.h"
#include "dsp/phase.h"
#include "dsp/sine_fit.h"
#include "dsp/tone_fit.h"
#include "dsp/tone_plan.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

// Steady state of the notch path is set for this many harmonics; the rest settles.
constexpr std::size_t kSteadyHarmonics = 30;
// Noise next to a line is taken from this many bins on either side.
constexpr std::size_t kNeighbourBins = 12;
// The tone's own bins: main lobe and one more, where the drift terms took noise along.
constexpr std::size_t kOwnBins = 5;

std::span<const double> window_terms() { return window_coefficients(TonePlan::kWindow); }

// The least-squares line through weighted points, growing.
class Regression {
 public:
  void add(double x, double y, double weight) {
    weight_ += weight;
    const double dx = x - mean_x_;
    const double dy = y - mean_y_;
    mean_x_ += dx * weight / weight_;
    mean_y_ += dy * weight / weight_;
    sxx_ += weight * dx * (x - mean_x_);
    sxy_ += weight * dx * (y - mean_y_);
  }
  [[nodiscard]] double slope() const { return sxx_ > 0 ? sxy_ / sxx_ : 0; }
  [[nodiscard]] double sxx() const { return sxx_; }
  [[nodiscard]] double mean_y() const { return mean_y_; }

 private:
  double weight_ = 0, mean_x_ = 0, mean_y_ = 0, sxx_ = 0, sxy_ = 0;
};

// What one channel gathers over the blocks. Sums are weighted.
struct Gathered {
  double weight = 0;
  double fundamental_ms = 0;
  double offset = 0;
  double total_ms = 0;
  std::vector<Complex> ratio;  // of each harmonic
  std::vector<double> ratio_power;
  std::vector<double> noise;  // |X|^2 for each bin
  double notch_ms = 0;
  double notch_leak_ms = 0;
  double notch_frames = 0;
  PeakFigures peaks;
  // Frequency: within the blocks, and from the phases of block to block in each segment.
  double block_frequency = 0;
  double block_drift_db_per_s = 0;
  double block_drift_hz_per_s = 0;
  Regression phase;
  bool has_last_phase = false;
  double last_phase = 0;
  double last_time = 0;
  Regression level_db;
  Regression frequency;
};

double mean_of(std::span<const double> values, std::size_t centre, std::size_t inner,
               std::size_t outer, std::size_t first) {
  double sum = 0;
  double count = 0;
  for (std::size_t d = inner; d <= outer; ++d) {
    if (centre >= d + first) {
      sum += values[centre - d];
      ++count;
    }
    if (centre + d + 1 < values.size()) {
      sum += values[centre + d];
      ++count;
    }
  }
  return count > 0 ? sum / count : 0;
}

}  // namespace

struct ToneAnalyzer::State {
  std::shared_ptr<const TonePlan> plan;
  std::vector<double> guesses;
  // Channels with the same tone share a fitter, whose basis follows the stronger of them.
  struct Group {
    ToneFitter fitter;
    std::vector<std::size_t> members;
    bool is_settled = false;
    std::optional<LineFitter> lines;
    double lines_hz = 0;
    std::vector<int> orders;
  };
  std::vector<Group> groups;
  std::vector<std::size_t> group_of;
  std::vector<Gathered> gathered;
  std::vector<ResidualWaveform> residuals;
  std::vector<Disturbance> disturbances;
  std::int64_t disturbance_count = 0;
  std::int64_t blocks = 0;
  Complex pair_sum = 0;

  // Scratch, kept between blocks so that adding one allocates next to nothing.
  std::vector<std::vector<double>> samples;
  std::vector<std::vector<double>> residual;
  std::vector<Complex> packed;
  std::vector<Complex> transformed;
  std::vector<std::vector<Complex>> spectra;
  std::vector<double> power;
  std::vector<double> notched;

  State(std::shared_ptr<const TonePlan> tone_plan, std::span<const double> guess_hz)
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
    for (Gathered& channel : gathered) channel.noise.assign(plan->n / 2 + 1, 0.0);
    residuals.resize(channels);
    samples.assign(channels, std::vector<double>(plan->n));
    residual.assign(channels, std::vector<double>(plan->n));
    packed.resize(plan->n);
    transformed.resize(plan->n);
    spectra.assign(channels, std::vector<Complex>(plan->n / 2 + 1));
    power.resize(plan->n / 2 + 1);
  }

  std::size_t channels() const { return guesses.size(); }

  void split_channels(std::span<const double> frames);
  void settle(Group& group);
  void prepare_lines(Group& group);
  void subtract_tones();
  void transform_residuals();
  void add_channel(std::size_t c, double start_s, double weight);
  void follow_phase(Gathered& g, const ToneFitter& fitter, const ToneFit& fit, double time_s,
                    double weight);
  void run_notch(std::span<const double> frames, double weight);
  void keep_residual(std::size_t c, std::span<const double> notch_out, std::size_t stride,
                     std::size_t from);
  ToneChannel channel_result(std::size_t c) const;
  void noise_result(const Gathered& g, double centre_hz, std::span<const double> noise,
                    ToneChannel& out) const;

  std::vector<ToneFit> flat_fits;
  std::vector<std::vector<Complex>> block_harmonics;  // phasors, for each channel
  std::vector<ToneFitter::BothMoments> block_moments;
};

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
void ToneAnalyzer::State::settle(Group& group) {
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

void ToneAnalyzer::State::prepare_lines(Group& group) {
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
    gathered[c].ratio_power.resize(group.orders.size());
  }
}

void ToneAnalyzer::State::subtract_tones() {
  // The basis moves when what it is off by would leave more than the cube of this.
  constexpr double kMostShift_rad = 1e-3;
  std::vector<ToneFit> fits(channels());
  block_moments.resize(channels());
  for (Group& group : groups) {
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
  const std::vector<double>& window = plan->window;
  if (channels() == 1) {
    for (std::size_t i = 0; i < plan->n; ++i) packed[i] = window[i] * residual[0][i];
  } else {
    for (std::size_t i = 0; i < plan->n; ++i) {
      packed[i] = {window[i] * residual[0][i], window[i] * residual[1][i]};
    }
  }
  plan->fft.transform(packed, transformed);
  for (std::size_t m = 0; m <= plan->n / 2; ++m) {
    const BinPair bins = split_bins(transformed, m);
    spectra[0][m] = bins.a;
    if (channels() == 2) spectra[1][m] = bins.b;
  }
}

// Continues the phase of the tone from block to block: over the whole stretch it gives the
// frequency far more sharply than the blocks do one by one.
void ToneAnalyzer::State::follow_phase(Gathered& g, const ToneFitter& fitter, const ToneFit& fit,
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
  Gathered& g = gathered[c];
  Group& group = groups[group_of[c]];
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
    g.ratio_power[i] += weight * std::norm(ratio);
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
  const Group& group = groups[group_of[c]];
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
  for (std::size_t gi = 0; gi < groups.size(); ++gi) {
    const Group& group = groups[gi];
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
      Gathered& g = gathered[c];
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

void ToneAnalyzer::State::noise_result(const Gathered& g, double centre_hz,
                                       std::span<const double> noise, ToneChannel& out) const {
  const std::size_t bins = noise.size();
  double in_band = 0;
  double a_weighted = 0;
  double itu_468 = 0;
  for (std::size_t m = plan->band_begin; m < plan->band_end; ++m) {
    in_band += noise[m];
    a_weighted += noise[m] * plan->a_gain[m];
    itu_468 += noise[m] * plan->itu_468_gain[m];
  }
  double above = 0;
  for (std::size_t m = plan->band_end; m + 1 < bins; ++m) above += noise[m];
  out.noise_rms = std::sqrt(in_band * plan->bin_power);
  out.noise_a_rms = std::sqrt(a_weighted * plan->bin_power);
  out.noise_468_rms = std::sqrt(itu_468 * plan->bin_power);
  out.ultrasonic_rms = std::sqrt(above * plan->bin_power);

  // What the notch must read: every bin and every harmonic through its own response.
  const double centre_warped = std::tan(std::numbers::pi * centre_hz / plan->fs.hz);
  const double centre_warped_sq = centre_warped * centre_warped;
  double predicted = 0;
  for (std::size_t m = plan->first_noise_bin; m + 1 < bins; ++m) {
    predicted += noise[m] * plan->band_gain[m] *
                 plan->notch.notch_power_gain(plan->warped_sq[m], centre_warped_sq);
  }
  predicted *= plan->bin_power;
  for (const HarmonicLevel& harmonic : out.harmonics) {
    const double warped = std::tan(std::numbers::pi * harmonic.frequency_hz / plan->fs.hz);
    predicted += harmonic.power_ratio * out.fundamental_rms * out.fundamental_rms *
                 plan->notch.band_power_gain(harmonic.frequency_hz) *
                 plan->notch.notch_power_gain(warped * warped, centre_warped_sq);
  }
  predicted = std::max(0.0, predicted) + g.notch_leak_ms / g.weight;
  const double fundamental_ms = out.fundamental_rms * out.fundamental_rms;
  out.notch_thd_n_predicted = std::sqrt(predicted / std::max(1e-300, fundamental_ms + predicted));
}

ToneChannel ToneAnalyzer::State::channel_result(std::size_t c) const {
  const Gathered& g = gathered[c];
  const Group& group = groups[group_of[c]];
  ToneChannel out;
  // A channel of zeros reads zero, not what rounding brings over from its neighbour in the FFT.
  if (g.peaks.positive == 0 && g.peaks.negative == 0) return out;
  const double mean_blocks = g.weight;
  out.fundamental_rms = std::sqrt(g.fundamental_ms / g.weight);
  out.offset = g.offset / g.weight;
  out.peaks = g.peaks;
  const auto n = static_cast<double>(plan->n);
  const double amplitude = out.fundamental_rms * std::numbers::sqrt2;

  std::vector<double> noise(g.noise.size());
  for (std::size_t m = 0; m < noise.size(); ++m) noise[m] = g.noise[m] / g.weight;
  const double centre_bin = group.fitter.basis_frequency_hz() / plan->bin_hz;
  const auto centre = static_cast<std::size_t>(std::lround(centre_bin));
  const double beside =
      mean_of(noise, centre, kOwnBins + 1, kOwnBins + kNeighbourBins, plan->first_noise_bin);
  // Where the fit took noise along, the neighbours' stands in for it; what is more than that, such
  // as flutter, is really there and stays.
  double own = 0;
  const std::size_t own_begin =
      std::max(plan->first_noise_bin, centre - std::min(centre, kOwnBins));
  const std::size_t own_end = std::min(noise.size() - 1, centre + kOwnBins + 1);
  for (std::size_t m = own_begin; m < own_end; ++m) own += noise[m];
  if (own < beside * static_cast<double>(own_end - own_begin)) {
    std::fill(noise.begin() + static_cast<std::ptrdiff_t>(own_begin),
              noise.begin() + static_cast<std::ptrdiff_t>(own_end), beside);
  }
  out.close_in_hz = kOwnBins * plan->bin_hz;

  // Local noise as the variance of a sample in white noise of that density.
  const double local_ms = beside * plan->bin_power * n / 2;
  const double amplitude_variance = 2 * local_ms / (n * mean_blocks);
  out.has_tone = amplitude * amplitude > 50 * amplitude_variance && amplitude > 0;
  if (amplitude > 0) {
    out.level_deviation = std::sqrt(amplitude_variance) / amplitude;
    const double omega_variance = 24 * local_ms / (amplitude * amplitude * n * (n * n - 1));
    // Two estimates of one frequency, each with its own information: within and between blocks.
    const double within_variance =
        omega_variance * plan->fs.hz * plan->fs.hz / (kTwoPi * kTwoPi) / mean_blocks;
    const double phase_variance = 2 * local_ms / (amplitude * amplitude * n);
    const double within_hz = g.block_frequency / g.weight;
    out.frequency_hz = within_hz;
    out.frequency_deviation_hz = std::sqrt(within_variance);
    if (g.phase.sxx() > 0) {
      const double between_hz = g.phase.slope() / kTwoPi;
      // Noise-free signals have no variance to weigh by; what counts is the ratio of the two.
      const double within_weight = n * n * n * mean_blocks / 12;
      const double between_weight = g.phase.sxx() * plan->fs.hz * plan->fs.hz * n;
      out.frequency_hz = (within_hz * within_weight + between_hz * between_weight) /
                         (within_weight + between_weight);
      out.frequency_deviation_hz =
          std::sqrt(phase_variance * n / (within_weight + between_weight)) * plan->fs.hz / kTwoPi;
    }
  }

  double harmonic_power = 0;  // relative to the fundamental
  double harmonic_variance = 0;
  for (std::size_t i = 0; i < group.orders.size(); ++i) {
    HarmonicLevel level{};
    level.order = group.orders[i];
    level.frequency_hz = level.order * out.frequency_hz;
    level.ratio = g.ratio[i] / g.weight;
    const auto bin = static_cast<std::size_t>(std::lround(level.frequency_hz / plan->bin_hz));
    const double around =
        mean_of(noise, std::min(bin, noise.size() - 2), 0, kNeighbourBins, plan->first_noise_bin);
    const double variance = amplitude > 0 ? group.lines->phasor_variance(i, around) /
                                                (amplitude * amplitude * mean_blocks)
                                          : 0;
    level.power_ratio = std::norm(level.ratio) - variance;
    level.deviation = std::sqrt(variance / 2);
    harmonic_power += level.power_ratio;
    harmonic_variance += 2 * std::max(0.0, level.power_ratio) * variance + variance * variance;
    out.harmonics.push_back(level);
  }
  const double harmonic_deviation = std::sqrt(harmonic_variance);
  out.thd_bound = std::sqrt(std::max(0.0, harmonic_power) + 2 * harmonic_deviation);
  if (harmonic_power > 2 * harmonic_deviation) out.thd = std::sqrt(harmonic_power);

  const double centre_hz = amplitude > 0 ? out.frequency_hz : group.fitter.basis_frequency_hz();
  noise_result(g, centre_hz, noise, out);
  const double fundamental_ms = out.fundamental_rms * out.fundamental_rms;
  const double noise_ms = out.noise_rms * out.noise_rms;
  const double distortion_ms = std::max(0.0, harmonic_power) * fundamental_ms + noise_ms;
  const double total_ms = fundamental_ms + distortion_ms;
  out.level_rms = std::sqrt(total_ms);
  out.thd_n = total_ms > 0 ? std::sqrt(distortion_ms / total_ms) : 0;
  if (distortion_ms > 0) {
    // Bins are correlated under the window: their sum has the variance of 1 / 1.9 as many.
    const double bins = static_cast<double>(plan->band_end - plan->band_begin) * mean_blocks;
    const double noise_variance = noise_ms * noise_ms * 1.9 / std::max(1.0, bins);
    const double tone_variance = harmonic_variance * fundamental_ms * fundamental_ms;
    out.thd_n_deviation = std::sqrt(noise_variance + tone_variance) / (2 * distortion_ms);
  }

  out.level_drift_db_per_s = blocks > 1 ? g.level_db.slope() : g.block_drift_db_per_s / g.weight;
  out.frequency_drift_hz_per_s =
      blocks > 1 ? g.frequency.slope() : g.block_drift_hz_per_s / g.weight;

  const double notch_ms = g.notch_ms / g.weight;
  out.notch_thd_n = std::sqrt(notch_ms / std::max(1e-300, fundamental_ms + notch_ms));
  constexpr double kNotchFloor = 1e-8;  // -160 dB
  const double leak = g.notch_leak_ms / g.weight;
  if (out.has_tone && out.notch_thd_n > kNotchFloor && out.notch_thd_n_predicted > kNotchFloor &&
      leak < 0.1 * notch_ms) {
    const Band& band = plan->settings.band;
    const double band_hz = std::min(band.high_edge_hz(), plan->fs.hz / 2) - band.low_edge_hz();
    const double time_s = g.notch_frames / plan->fs.hz;
    // The noise so near the tone is an estimate on the one path only: a wide share at low tones.
    const double close_in = out.close_in_hz / out.frequency_hz;
    const double allowed_db = 0.1 + 13 / std::sqrt(band_hz * time_s) + close_in * close_in;
    const double apart_db = db_of_amplitude_ratio(out.notch_thd_n / out.notch_thd_n_predicted);
    out.paths_disagree = std::abs(apart_db) > allowed_db;
  }
  return out;
}

ToneAnalyzer::ToneAnalyzer(std::shared_ptr<const TonePlan> plan, std::span<const double> guess_hz)
    : state_(std::make_unique<State>(std::move(plan), guess_hz)) {}
ToneAnalyzer::~ToneAnalyzer() = default;
ToneAnalyzer::ToneAnalyzer(ToneAnalyzer&&) noexcept = default;
ToneAnalyzer& ToneAnalyzer::operator=(ToneAnalyzer&&) noexcept = default;

std::size_t ToneAnalyzer::block_frames() const { return state_->plan->n; }

void ToneAnalyzer::begin_segment() {
  // Phases do not continue over a gap; what they have said so far about the frequency is kept only
  // when the next segment brings none.
  for (Gathered& channel : state_->gathered) {
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
  for (std::size_t c = 0; c < s.channels(); ++c) result.channels.push_back(s.channel_result(c));
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
  std::size_t start = 0;
  for (; start + block <= count; start += block) {
    analyzer.add_block(frames.subspan(start * channels, block * channels),
                       static_cast<std::int64_t>(start));
  }
  const std::size_t rest = count - start;
  if (rest > block / 64) {
    const std::size_t last = count - block;
    analyzer.add_block(frames.subspan(last * channels, block * channels),
                       static_cast<std::int64_t>(last),
                       static_cast<double>(rest) / static_cast<double>(block));
  }
  return analyzer.result();
}

}  // namespace sinewright
