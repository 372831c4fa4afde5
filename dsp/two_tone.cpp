#include "dsp/two_tone.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/imd_figures.h"
#include "dsp/lines.h"
#include "dsp/sine_fit.h"
#include "dsp/tone_fit.h"
#include "dsp/tone_plan.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

// The tones' own bins, and how many beside them stand in for the noise there.
constexpr std::size_t kOwnBins = 5;
constexpr std::size_t kNeighbourBins = 12;
// Beside a windowed fit of the other tone, each round of the alternation gains 4 digits or more.
constexpr int kRounds = 4;

std::span<const double> window_terms() { return window_coefficients(TonePlan::kWindow); }

Complex mean_phasor(const ToneFit& fit) { return fit.terms[0] + fit.terms[2] / 3.0; }

double mean_beside(std::span<const double> noise, std::size_t centre, std::size_t inner,
                   std::size_t outer, std::size_t first) {
  double sum = 0;
  double count = 0;
  for (std::size_t d = inner; d <= outer; ++d) {
    if (centre >= first + d) {
      sum += noise[centre - d];
      ++count;
    }
    if (centre + d + 1 < noise.size()) {
      sum += noise[centre + d];
      ++count;
    }
  }
  return count > 0 ? sum / count : 0;
}

struct Gathered {
  double weight = 0;
  std::array<double, 2> tone_ms{};
  std::array<double, 2> frequency_hz{};
  double offset = 0;
  std::vector<Complex> products;  // peak phasors, turned back by the tones' own phases
  std::vector<double> noise;      // |X|^2 of each bin
};

}  // namespace

struct TwoToneAnalyzer::State {
  std::shared_ptr<const TonePlan> plan;
  std::size_t channels;
  std::array<double, 2> guess_hz;
  std::vector<ToneFitter> fitters;  // of the lower and of the higher tone
  bool is_settled = false;
  std::optional<LineFitter> lines;
  std::array<double, 2> lines_hz{};
  std::vector<ProductOrder> orders;
  std::vector<Gathered> gathered;
  std::int64_t blocks = 0;

  std::vector<std::vector<double>> samples, residual;
  std::vector<double> other_removed;
  std::vector<std::array<ToneFit, 2>> fits;
  std::vector<Complex> packed, transformed, spectrum;
  std::vector<double> power;

  State(std::shared_ptr<const TonePlan> tone_plan, int channel_count, Hertz guess_1, Hertz guess_2)
      : plan(std::move(tone_plan)),
        channels(static_cast<std::size_t>(std::max(0, channel_count))),
        guess_hz{std::min(guess_1.value, guess_2.value), std::max(guess_1.value, guess_2.value)} {
    if (channels < 1 || channels > 2) {
      throw std::invalid_argument("TwoToneAnalyzer: 1 or 2 channels, got " +
                                  std::to_string(channel_count));
    }
    const double margin_hz = (kFewestBinsApart - 0.5) * plan->bin_hz;
    if (!(guess_hz[0] > margin_hz && guess_hz[1] - guess_hz[0] > margin_hz &&
          plan->fs.hz / 2 - guess_hz[1] > margin_hz)) {
      throw std::invalid_argument(
          "TwoToneAnalyzer: " + std::to_string(guess_hz[0]) + " and " +
          std::to_string(guess_hz[1]) +
          " Hz are too near to each other, to 0 or to fs/2 for a block of " +
          std::to_string(plan->n) + " frames");
    }
    const std::size_t n = plan->n;
    for (int tone = 0; tone < 2; ++tone) {
      fitters.emplace_back(plan->fs, plan->window, window_terms());
    }
    gathered.resize(channels);
    for (Gathered& g : gathered) g.noise.assign(n / 2 + 1, 0.0);
    samples.assign(channels, std::vector<double>(n));
    residual.assign(channels, std::vector<double>(n));
    other_removed.resize(n);
    fits.resize(channels);
    packed.resize(n);
    transformed.resize(n);
    spectrum.resize(n / 2 + 1);
    power.resize(n / 2 + 1);
  }

  void settle();
  void fit_channel(std::size_t c);
  void fit_tones();
  void prepare_lines();
  void add_channel(std::size_t c, double weight);
  std::vector<double> noise_of(const Gathered& g) const;
  TwoToneChannel channel_result(std::size_t c) const;
};

// Finds both frequencies on the first block: each with the other's first fit taken out.
void TwoToneAnalyzer::State::settle() {
  std::size_t strongest = 0;
  double most = -1;
  for (std::size_t c = 0; c < channels; ++c) {
    double sum = 0;
    for (const double x : samples[c]) sum += x * x;
    if (sum > most) {
      most = sum;
      strongest = c;
    }
  }
  std::array<double, 2> found_hz = guess_hz;
  std::vector<double> rest = samples[strongest];
  for (int round = 0; round < 3; ++round) {
    for (std::size_t tone = 0; tone < 2; ++tone) {
      const double refined =
          round == 0 ? refine_frequency(rest, plan->fs, {found_hz[tone]}).value : found_hz[tone];
      // A guess that ran off to the other tone is no refinement.
      const bool is_near = std::abs(refined - guess_hz[tone]) < 3 * plan->bin_hz;
      settle_frequency(fitters[tone], rest, {is_near ? refined : guess_hz[tone]});
      found_hz[tone] = fitters[tone].basis_frequency_hz();
      const ToneFit fit = fitters[tone].fit_windowed(fitters[tone].moments(rest).windowed);
      fitters[tone].subtract(samples[strongest], fit, rest);
    }
  }
  is_settled = true;
}

void TwoToneAnalyzer::State::fit_channel(std::size_t c) {
  const std::vector<double>* source = &samples[c];
  for (int round = 0; round < kRounds; ++round) {
    for (std::size_t tone = 0; tone < 2; ++tone) {
      fits[c][tone] = fitters[tone].fit_windowed(fitters[tone].moments(*source).windowed);
      // Only one of the two may take up the offset.
      ToneFit without_offset = fits[c][tone];
      without_offset.offset = 0;
      fitters[tone].subtract(samples[c], without_offset, other_removed);
      source = &other_removed;
    }
  }
  ToneFit lower = fits[c][0];
  lower.offset = 0;
  fitters[0].subtract(samples[c], lower, other_removed);
  fits[c][1] = fitters[1].fit_windowed(fitters[1].moments(other_removed).windowed);
  fitters[1].subtract(other_removed, fits[c][1], residual[c]);
}

void TwoToneAnalyzer::State::fit_tones() {
  constexpr double kMostShift_rad = 1e-3;
  if (!is_settled) settle();
  for (int attempt = 0; attempt < 3; ++attempt) {
    for (std::size_t c = 0; c < channels; ++c) fit_channel(c);
    bool has_moved = false;
    for (std::size_t tone = 0; tone < 2; ++tone) {
      std::size_t leading = 0;
      if (channels == 2 && std::abs(fits[1][tone].terms[0]) > std::abs(fits[0][tone].terms[0])) {
        leading = 1;
      }
      const ToneFit& fit = fits[leading][tone];
      if (!(std::abs(fit.terms[0]) > 0)) continue;
      const double shift_rad = std::abs((fit.terms[1] / fit.terms[0]).imag());
      if (shift_rad < kMostShift_rad || shift_rad > 1) continue;
      fitters[tone].set_frequency({fit.frequency_hz});
      has_moved = true;
    }
    if (!has_moved) break;
  }
  prepare_lines();
}

void TwoToneAnalyzer::State::prepare_lines() {
  const std::array<double, 2> tone_hz = {fitters[0].basis_frequency_hz(),
                                         fitters[1].basis_frequency_hz()};
  const double moved_hz =
      std::max(std::abs(tone_hz[0] - lines_hz[0]), std::abs(tone_hz[1] - lines_hz[1]));
  if (lines && moved_hz * kHighestProductOrder < 1e-3 * plan->bin_hz) return;
  if (!lines) orders = product_orders(tone_hz, plan->fs, plan->settings.band, plan->bin_hz);
  // Products are summed by index: two that drift past each other stay where they were.
  std::vector<double> bins;
  for (const ProductOrder& order : orders) {
    bins.push_back(std::abs(order.k * tone_hz[0] + order.m * tone_hz[1]) / plan->bin_hz);
  }
  if (!std::is_sorted(bins.begin(), bins.end())) return;
  lines.emplace(window_terms(), plan->n, std::move(bins));
  lines_hz = tone_hz;
  for (Gathered& g : gathered) g.products.resize(orders.size());
}

void TwoToneAnalyzer::State::add_channel(std::size_t c, double weight) {
  Gathered& g = gathered[c];
  for (std::size_t m = 0; m < spectrum.size(); ++m) {
    const BinPair bins = split_bins(transformed, m);
    spectrum[m] = c == 0 ? bins.a : bins.b;
  }
  const std::vector<Complex> phasors = lines->take_out(spectrum);
  for (std::size_t m = 0; m < spectrum.size(); ++m) power[m] = std::norm(spectrum[m]);
  lines->restore_noise(power);
  for (std::size_t m = 0; m < spectrum.size(); ++m) g.noise[m] += weight * power[m];

  std::array<double, 2> phase_rad{};
  for (std::size_t tone = 0; tone < 2; ++tone) {
    const Complex mean = mean_phasor(fits[c][tone]);
    phase_rad[tone] = std::arg(mean);
    g.tone_ms[tone] += weight * std::norm(mean) / 2;
    g.frequency_hz[tone] += weight * fits[c][tone].frequency_hz;
  }
  for (std::size_t i = 0; i < phasors.size(); ++i) {
    const ProductOrder& order = orders[i];
    // At a negative frequency stands the conjugate.
    const bool is_mirrored =
        order.k * fitters[0].basis_frequency_hz() + order.m * fitters[1].basis_frequency_hz() < 0;
    const Complex phasor = is_mirrored ? std::conj(phasors[i]) : phasors[i];
    g.products[i] +=
        weight * phasor * std::polar(1.0, -(order.k * phase_rad[0] + order.m * phase_rad[1]));
  }
  g.offset += weight * fits[c][1].offset;
  g.weight += weight;
}

// Averaged |X|^2, with the neighbours' in place of what the fits of the tones took along.
std::vector<double> TwoToneAnalyzer::State::noise_of(const Gathered& g) const {
  std::vector<double> noise(g.noise.size());
  for (std::size_t m = 0; m < noise.size(); ++m) noise[m] = g.noise[m] / g.weight;
  for (const ToneFitter& fitter : fitters) {
    const auto centre =
        static_cast<std::size_t>(std::lround(fitter.basis_frequency_hz() / plan->bin_hz));
    const double beside =
        mean_beside(noise, centre, kOwnBins + 1, kOwnBins + kNeighbourBins, plan->first_noise_bin);
    const std::size_t begin = std::max(plan->first_noise_bin, centre - std::min(centre, kOwnBins));
    const std::size_t end = std::min(noise.size() - 1, centre + kOwnBins + 1);
    double own = 0;
    for (std::size_t m = begin; m < end; ++m) own += noise[m];
    if (own >= beside * static_cast<double>(end - begin)) continue;
    std::fill(noise.begin() + static_cast<std::ptrdiff_t>(begin),
              noise.begin() + static_cast<std::ptrdiff_t>(end), beside);
  }
  return noise;
}

TwoToneChannel TwoToneAnalyzer::State::channel_result(std::size_t c) const {
  const Gathered& g = gathered[c];
  TwoToneChannel out;
  out.frequency_1_hz = g.frequency_hz[0] / g.weight;
  out.frequency_2_hz = g.frequency_hz[1] / g.weight;
  out.rms_1 = std::sqrt(g.tone_ms[0] / g.weight);
  out.rms_2 = std::sqrt(g.tone_ms[1] / g.weight);
  if (out.rms_1 > 0 && out.rms_2 > 0) out.ratio_db = db_of_amplitude_ratio(out.rms_1 / out.rms_2);
  out.offset = g.offset / g.weight;

  const std::vector<double> noise = noise_of(g);
  double noise_ms = 0;
  for (std::size_t m = plan->band_begin; m < plan->band_end; ++m) noise_ms += noise[m];
  noise_ms *= plan->bin_power;
  out.noise_rms = std::sqrt(noise_ms);

  double products_ms = 0;
  double products_variance = 0;
  std::vector<MeasuredProduct> measured;
  for (std::size_t i = 0; i < orders.size(); ++i) {
    const ProductOrder& order = orders[i];
    const double frequency_hz =
        std::abs(order.k * out.frequency_1_hz + order.m * out.frequency_2_hz);
    const auto bin = static_cast<std::size_t>(std::lround(frequency_hz / plan->bin_hz));
    const double around = mean_beside(noise, std::min(bin, noise.size() - 2), 0, kNeighbourBins,
                                      plan->first_noise_bin);
    const double variance = lines->phasor_variance(i, around) / g.weight;
    const Complex phasor = g.products[i] / g.weight;
    const double power_ms = (std::norm(phasor) - variance) / 2;
    products_ms += power_ms;
    products_variance += std::max(0.0, power_ms) * variance + variance * variance / 4;
    // |phasor| spreads by half of the variance; to RMS, another half.
    measured.push_back({order, phasor / std::numbers::sqrt2, std::sqrt(std::max(0.0, power_ms)),
                        std::sqrt(variance / 4)});
    out.products.push_back({order.k, order.m, frequency_hz, measured.back().rms,
                            measured.back().deviation, std::arg(phasor) * 180 / std::numbers::pi});
  }
  const double residual_ms = std::max(0.0, products_ms) + noise_ms;
  const double total_ms = out.rms_1 * out.rms_1 + out.rms_2 * out.rms_2 + residual_ms;
  out.level_rms = std::sqrt(total_ms);
  if (residual_ms > 0) {
    // Bins are correlated under the window: their sum has the variance of 1 / 1.9 as many.
    const double bins = static_cast<double>(plan->band_end - plan->band_begin) * g.weight;
    const double variance = noise_ms * noise_ms * 1.9 / std::max(1.0, bins) + products_variance;
    const double ratio = std::sqrt(residual_ms / total_ms);
    out.imd_residual = {ratio, ratio * std::sqrt(variance) / (2 * residual_ms)};
  }
  const auto tone_bin = [&](double hz) {
    return static_cast<std::size_t>(std::lround(hz / plan->bin_hz));
  };
  const auto stands_out = [&](double rms, double hz) {
    const double beside = mean_beside(noise, tone_bin(hz), kOwnBins + 1, kOwnBins + kNeighbourBins,
                                      plan->first_noise_bin);
    return rms > 0 && rms * rms > 50 * beside * plan->bin_power / g.weight;
  };
  out.has_tones = stands_out(out.rms_1, fitters[0].basis_frequency_hz()) &&
                  stands_out(out.rms_2, fitters[1].basis_frequency_hz());
  if (out.has_tones) add_imd_figures(measured, out);
  return out;
}

TwoToneAnalyzer::TwoToneAnalyzer(std::shared_ptr<const TonePlan> plan, int channels, Hertz guess_1,
                                 Hertz guess_2)
    : state_(std::make_unique<State>(std::move(plan), channels, guess_1, guess_2)) {}
TwoToneAnalyzer::~TwoToneAnalyzer() = default;
TwoToneAnalyzer::TwoToneAnalyzer(TwoToneAnalyzer&&) noexcept = default;
TwoToneAnalyzer& TwoToneAnalyzer::operator=(TwoToneAnalyzer&&) noexcept = default;

std::size_t TwoToneAnalyzer::block_frames() const { return state_->plan->n; }

void TwoToneAnalyzer::add_block(std::span<const double> frames, double weight) {
  State& s = *state_;
  const std::size_t n = s.plan->n;
  if (frames.size() != n * s.channels) {
    throw std::invalid_argument("TwoToneAnalyzer: a block has " + std::to_string(n) +
                                " frames, got " + std::to_string(frames.size() / s.channels));
  }
  for (std::size_t c = 0; c < s.channels; ++c) {
    for (std::size_t i = 0; i < n; ++i) s.samples[c][i] = frames[i * s.channels + c];
  }
  s.fit_tones();
  const std::vector<double>& window = s.plan->window;
  for (std::size_t i = 0; i < n; ++i) {
    s.packed[i] = {window[i] * s.residual[0][i],
                   s.channels == 2 ? window[i] * s.residual[1][i] : 0.0};
  }
  s.plan->fft.transform(s.packed, s.transformed);
  for (std::size_t c = 0; c < s.channels; ++c) s.add_channel(c, weight);
  ++s.blocks;
}

TwoToneAnalysis TwoToneAnalyzer::result() const {
  const State& s = *state_;
  if (s.blocks == 0) throw std::logic_error("TwoToneAnalyzer: no block yet");
  TwoToneAnalysis result;
  for (std::size_t c = 0; c < s.channels; ++c) result.channels.push_back(s.channel_result(c));
  result.blocks = s.blocks;
  result.block_s = static_cast<double>(s.plan->n) / s.plan->fs.hz;
  return result;
}

std::optional<TwoToneAnalysis> analyze_two_tones(std::span<const double> frames, SampleRate fs,
                                                 int channels, Hertz guess_1, Hertz guess_2,
                                                 const ToneSettings& settings) {
  if (channels < 1 || channels > 2 || frames.size() % static_cast<std::size_t>(channels) != 0) {
    throw std::invalid_argument("analyze_two_tones: " + std::to_string(frames.size()) +
                                " samples are no whole frames of 1 or 2 channels");
  }
  const auto width = static_cast<std::size_t>(channels);
  const std::size_t count = frames.size() / width;
  const double nearest_hz =
      std::min({guess_1.value, guess_2.value, std::abs(guess_1.value - guess_2.value),
                fs.hz / 2 - std::max(guess_1.value, guess_2.value)});
  if (!(nearest_hz > 0)) return std::nullopt;
  // Twice the bins that a tone by itself needs, for the products between them.
  const std::size_t block = tone_block_frames(count, fs, nearest_hz / 2, settings);
  if (block == 0 || !(nearest_hz > kFewestBinsApart * fs.hz / static_cast<double>(block))) {
    return std::nullopt;
  }
  TwoToneAnalyzer analyzer(make_tone_plan(fs, block, settings), channels, guess_1, guess_2);
  std::size_t start = 0;
  for (; start + block <= count; start += block) {
    analyzer.add_block(frames.subspan(start * width, block * width));
  }
  const std::size_t rest = count - start;
  if (rest > block / 64) {
    analyzer.add_block(frames.subspan((count - block) * width, block * width),
                       static_cast<double>(rest) / static_cast<double>(block));
  }
  return analyzer.result();
}

}  // namespace sinewright
