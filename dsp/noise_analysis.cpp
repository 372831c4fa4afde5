#include "dsp/noise_analysis.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/fft.h"
#include "dsp/mains.h"
#include "dsp/noise_blocks.h"
#include "dsp/quasi_peak.h"
#include "dsp/spectral_lines.h"

namespace sinewright {
namespace {

constexpr double kBlockS = 1;
constexpr std::size_t kBlocksPerStretch = 8;
constexpr double kFalseAlarm = 1e-3;
// Half the bins the floor under a line is the median of.
constexpr std::size_t kFloorReach = 24;
// Orders that steer the frequency: beyond, drift within a stretch spoils the phases.
constexpr int kHighestSteeringOrder = 20;
constexpr double kReachHz = 0.1;

// Reads the quasi-peak meter often enough for its mean to be the mean over time.
class MeanQuasiPeak {
 public:
  explicit MeanQuasiPeak(SampleRate fs)
      : meter_(fs), step_(static_cast<std::size_t>(0.05 * fs.hz)), settled_(1.2 * fs.hz) {}

  void push(std::span<const double> samples) {
    while (!samples.empty()) {
      const std::size_t count = std::min(samples.size(), step_ - since_);
      meter_.push(samples.first(count));
      samples = samples.subspan(count);
      since_ += count;
      pushed_ += static_cast<double>(count);
      if (since_ < step_) continue;
      since_ = 0;
      if (pushed_ < settled_) continue;
      sum_ += meter_.reading();
      ++readings_;
    }
  }
  [[nodiscard]] std::optional<double> mean() const {
    if (readings_ < 6) return std::nullopt;
    return sum_ / readings_;
  }

 private:
  QuasiPeakMeter meter_;
  std::size_t step_;
  double settled_;
  std::size_t since_ = 0;
  double pushed_ = 0;
  double sum_ = 0;
  double readings_ = 0;
};

void require(bool is_fulfilled, const std::string& what) {
  if (!is_fulfilled) throw std::invalid_argument("NoiseAnalyzer: " + what);
}

}  // namespace

struct NoiseAnalyzer::State {
  SampleRate fs;
  std::size_t channels;
  NoiseSettings settings;
  NoiseBlocks blocks;
  std::vector<double> sums;  // of the samples
  double frames = 0;
  std::vector<MeanQuasiPeak> quasi_peak;

  // The stretch under way, and what the stretches before it have said.
  std::vector<LowSpectrum> stretch;
  std::vector<LowSpectrum> last_stretch;
  struct Steering {
    double weight = 0, sum_hz = 0, variance = 0;
    double lowest_hz = 1e9, highest_hz = 0;
    // For each channel and order, phasors relative to the reference order: see HumLine.
    std::vector<std::vector<std::complex<double>>> relative;
    std::vector<int> reference_order;
  } steering;

  State(SampleRate rate, std::size_t channel_count, const NoiseSettings& noise_settings,
        double block_s)
      : fs(rate),
        channels(channel_count),
        settings(noise_settings),
        blocks(rate, channel_count, block_s, noise_settings.band, noise_settings.highest_hum_hz),
        sums(channel_count, 0.0) {
    steering.relative.resize(channels);
    steering.reference_order.assign(channels, 0);
    if (settings.quasi_peak && fs.hz >= 32000) {
      for (std::size_t c = 0; c < channels; ++c) quasi_peak.emplace_back(fs);
    }
  }

  int highest_order(double mains_hz) const {
    const double reach_hz = std::min(settings.highest_hum_hz, fs.hz / 2 - 6 * blocks.bin_hz());
    return std::max(0, static_cast<int>(std::floor(reach_hz / mains_hz)));
  }

  void push(std::span<const double> samples);
  std::optional<double> search(std::span<const LowSpectrum> of) const;
  std::vector<SpectralLine> telling_lines(std::span<const double> power, double averaged) const;
  void close_stretch(std::span<const LowSpectrum> of, double weight, Steering& into) const;
  void gather_phases(std::span<const LowSpectrum> of, double mains_hz,
                     std::span<const FamilyLine> lines, Steering& into) const;
  NoiseAnalysis result() const;
  NoiseChannel channel_result(std::size_t c, const std::optional<Mains>& mains,
                              const Steering& steered) const;
  HumLine hum_line(int order, const Mains& mains, std::span<const double> power,
                   std::span<const double> floor) const;
};

void NoiseAnalyzer::State::push(std::span<const double> samples) {
  frames += static_cast<double>(samples.size() / channels);
  for (std::size_t i = 0; i < samples.size(); ++i) sums[i % channels] += samples[i];
  if (!quasi_peak.empty()) {
    std::vector<double> one;
    for (std::size_t c = 0; c < channels; ++c) {
      one.clear();
      for (std::size_t i = c; i < samples.size(); i += channels) one.push_back(samples[i]);
      quasi_peak[c].push(one);
    }
  }
  blocks.push(samples, [this](LowSpectrum low) {
    stretch.push_back(std::move(low));
    if (stretch.size() < kBlocksPerStretch) return;
    close_stretch(stretch, static_cast<double>(stretch.size()), steering);
    last_stretch = std::move(stretch);
    stretch.clear();
  });
}

std::vector<SpectralLine> NoiseAnalyzer::State::telling_lines(std::span<const double> power,
                                                              double averaged) const {
  const double bin_hz = blocks.bin_hz();
  const std::size_t first = blocks.half_lobe();
  const std::vector<double> floor = spectral_floor(power, first, kFloorReach, averaged);
  // Alone, only orders 1 to 3 are believed: 150 Hz of bins on each channel may raise the alarm.
  const double threshold =
      line_threshold(averaged, kFalseAlarm * bin_hz / (150 * static_cast<double>(channels)));
  const auto last = static_cast<std::size_t>(12.1 * kHighestMainsHz / bin_hz);
  return find_lines(power, floor, static_cast<std::size_t>(kLowestMainsHz * 0.98 / bin_hz),
                    std::min(last, power.size() - 2), blocks.half_lobe(), threshold, averaged);
}

// First in the stretch by itself, which drift cannot have smeared; then in all so far.
std::optional<double> NoiseAnalyzer::State::search(std::span<const LowSpectrum> of) const {
  for (const bool in_stretch : {true, false}) {
    std::vector<SpectralLine> lines;
    for (std::size_t c = 0; c < channels; ++c) {
      std::vector<double> power;
      double averaged = static_cast<double>(blocks.count());
      if (in_stretch) {
        averaged = static_cast<double>(of.size());
        power.assign(of.front().channels[c].size(), 0.0);
        for (const LowSpectrum& block : of) {
          for (std::size_t m = 0; m < power.size(); ++m)
            power[m] += std::norm(block.channels[c][m]);
        }
      } else {
        power = blocks.mean_square(c);
        power.resize(of.front().channels[c].size());
      }
      const std::vector<SpectralLine> found = telling_lines(power, averaged);
      lines.insert(lines.end(), found.begin(), found.end());
    }
    if (const auto mains = find_mains(lines, blocks.bin_hz())) return mains->value;
  }
  return std::nullopt;
}

void NoiseAnalyzer::State::close_stretch(std::span<const LowSpectrum> of, double weight,
                                         Steering& into) const {
  const std::optional<double> found = settings.mains_hz ? settings.mains_hz : search(of);
  if (!found) return;
  std::vector<FamilyLine> lines;
  const int orders = std::min(kHighestSteeringOrder, highest_order(*found));
  for (std::size_t c = 0; c < channels; ++c) {
    std::vector<double> power = blocks.mean_square(c);
    power.resize(of.front().channels[c].size());
    const std::vector<double> floor =
        spectral_floor(power, blocks.half_lobe(), kFloorReach, static_cast<double>(blocks.count()));
    const Mains guess{*found, 0, *found, *found};
    for (int order = 1; order <= orders; ++order) {
      const HumLine line = hum_line(order, guess, power, floor);
      if (!line.above_noise) continue;
      const auto bin = static_cast<std::size_t>(std::lround(line.frequency_hz / blocks.bin_hz()));
      // E|error|^2 of a peak phasor: 2 e p, with p the noise's mean square a bin.
      const double variance =
          std::max(2 * blocks.overlap_figure() * floor[bin], 1e-24 * line.rms * line.rms + 1e-300);
      lines.push_back({c, order, variance});
    }
  }
  if (lines.empty()) return;
  const double reach_hz = settings.mains_hz ? 0.5 : kReachHz;
  const FrequencyEstimate estimate = refine_mains(of, lines, blocks.window_coefficients(),
                                                  blocks.block_frames(), fs, {*found}, reach_hz);
  into.weight += weight;
  into.sum_hz += weight * estimate.frequency_hz;
  into.variance += weight * weight * estimate.deviation_hz * estimate.deviation_hz;
  into.lowest_hz = std::min(into.lowest_hz, estimate.frequency_hz);
  into.highest_hz = std::max(into.highest_hz, estimate.frequency_hz);
  gather_phases(of, estimate.frequency_hz, lines, into);
}

void NoiseAnalyzer::State::gather_phases(std::span<const LowSpectrum> of, double mains_hz,
                                         std::span<const FamilyLine> lines, Steering& into) const {
  const int orders = highest_order(mains_hz);
  for (std::size_t c = 0; c < channels; ++c) {
    int& reference = into.reference_order[c];
    for (const FamilyLine& line : lines) {
      if (reference == 0 && line.channel == c) reference = line.order;
    }
    if (reference == 0) continue;
    into.relative[c].resize(std::max<std::size_t>(into.relative[c].size(), orders + 1));
    for (const LowSpectrum& block : of) {
      const auto phasor = [&](int order) {
        return line_phasor(blocks.window_coefficients(), blocks.block_frames(),
                           order * mains_hz / blocks.bin_hz(), block.channels[c]);
      };
      const std::complex<double> leader = phasor(reference);
      if (!(std::abs(leader) > 0)) continue;
      const double lead_rad = std::arg(leader);
      for (int order = reference; order <= orders; order += reference) {
        into.relative[c][order] += phasor(order) * std::polar(1.0, -lead_rad * (order / reference));
      }
    }
  }
}

HumLine NoiseAnalyzer::State::hum_line(int order, const Mains& mains, std::span<const double> power,
                                       std::span<const double> floor) const {
  const double bin_hz = blocks.bin_hz();
  HumLine line{order, order * mains.frequency_hz, 0, 0, std::nullopt, false};
  const auto lobe = static_cast<double>(blocks.half_lobe());
  const auto begin =
      static_cast<std::size_t>(std::max(lobe, std::round(order * mains.lowest_hz / bin_hz - lobe)));
  const auto end =
      std::min(power.size(),
               static_cast<std::size_t>(std::round(order * mains.highest_hz / bin_hz + lobe)) + 1);
  double above = 0;
  double moment = 0;
  for (std::size_t m = begin; m < end; ++m) {
    above += power[m] - floor[m];
    moment += (power[m] - floor[m]) * (static_cast<double>(m) - line.frequency_hz / bin_hz);
  }
  const double p = floor[std::min(end - 1, (begin + end) / 2)];
  const auto width = static_cast<double>(end - begin);
  const double averaged = static_cast<double>(blocks.count()) / blocks.overlap_figure();
  // Noise in the bins themselves, and in the median that stands for their floor.
  const double noise_variance =
      p * p * (width + 1.6 * width * width / (2 * kFloorReach + 1)) / averaged;
  line.above_noise = above > 3 * std::sqrt(noise_variance);
  // A stronger tone nearby, as 997 Hz beside the 20th harmonic of 50.02 Hz, is not the mains's.
  const double reach = static_cast<double>(end - begin) / 2;
  const double off_deviation =
      reach * std::sqrt(noise_variance + 2 * std::abs(above) * p / averaged);
  const double drift = order * (mains.highest_hz - mains.lowest_hz) / bin_hz;
  if (std::abs(moment) > (0.1 + drift) * above + 3 * off_deviation) {
    line.above_noise = false;
    return line;
  }
  if (above > 0) {
    line.rms = std::sqrt(above);
    line.deviation = std::sqrt(noise_variance + 2 * above * p / averaged) / (2 * above);
  }
  return line;
}

NoiseChannel NoiseAnalyzer::State::channel_result(std::size_t c, const std::optional<Mains>& mains,
                                                  const Steering& steered) const {
  NoiseChannel out;
  out.offset = sums[c] / frames;
  if (!quasi_peak.empty()) out.noise_468_quasi_peak = quasi_peak[c].mean();
  const double bin_hz = blocks.bin_hz();
  const auto averaged = static_cast<double>(blocks.count());
  const std::vector<double> power = blocks.mean_square(c);
  const std::vector<double> floor =
      spectral_floor(power, blocks.half_lobe(), kFloorReach, averaged);

  std::vector<double> smooth = power;  // lines replaced by the floor
  std::vector<bool> is_taken(power.size(), false);
  const auto level_off = [&](double from_bin, double to_bin) {
    const double lobe = static_cast<double>(blocks.half_lobe()) + 1;
    const auto end = static_cast<std::size_t>(std::ceil(to_bin + lobe)) + 1;
    for (auto m = static_cast<std::size_t>(std::max(0.0, std::floor(from_bin - lobe)));
         m < std::min(end, power.size()); ++m) {
      smooth[m] = std::min(power[m], floor[m]);
      is_taken[m] = true;
    }
  };
  double line_variance = 0;
  double hum_ms = 0;
  if (mains) {
    const int reference = steered.reference_order[c];
    for (int order = 1; order <= highest_order(mains->frequency_hz); ++order) {
      HumLine line = hum_line(order, *mains, power, floor);
      if (line.above_noise) {
        const double ms = line.rms * line.rms;
        hum_ms += ms;
        line_variance += 4 * ms * ms * line.deviation * line.deviation;
        level_off(order * mains->lowest_hz / bin_hz, order * mains->highest_hz / bin_hz);
        if (reference > 0 && order % reference == 0 &&
            static_cast<std::size_t>(order) < steered.relative[c].size()) {
          line.phase_deg = std::arg(steered.relative[c][order]) * 180 / std::numbers::pi;
        }
      }
      out.hum_lines.push_back(line);
    }
  }
  out.hum_rms = std::sqrt(hum_ms);
  if (hum_ms > 0) out.hum_deviation = std::sqrt(line_variance) / (2 * hum_ms);

  const double in_band = static_cast<double>(blocks.band_end() - blocks.band_begin());
  const double threshold = line_threshold(averaged, kFalseAlarm / std::max(1.0, in_band));
  for (const SpectralLine& line :
       find_lines(power, floor, blocks.band_begin(), blocks.band_end() - 1, blocks.half_lobe(),
                  threshold, averaged)) {
    if (is_taken[static_cast<std::size_t>(std::lround(line.bin))]) continue;
    out.other_lines.push_back({line.bin * bin_hz, std::sqrt(line.mean_square)});
    line_variance += 2 * line.mean_square * line.mean_square / (line.over_floor + 1e-300) /
                     averaged * blocks.overlap_figure();
  }
  for (const OtherLine& line : out.other_lines) {
    level_off(line.frequency_hz / bin_hz, line.frequency_hz / bin_hz);
  }
  std::sort(out.other_lines.begin(), out.other_lines.end(),
            [](const OtherLine& a, const OtherLine& b) { return a.rms > b.rms; });
  if (out.other_lines.size() > kMostOtherLines) out.other_lines.resize(kMostOtherLines);

  const auto level = [&](Weighting weighting, std::span<const double> spectrum, double lines,
                         double& rms, double& deviation) {
    const NoiseBlocks::BandLevel band = blocks.band_level(weighting, spectrum);
    const double smooth_variance = blocks.band_level(weighting, smooth).noise_variance;
    rms = std::sqrt(band.mean_square);
    if (!(band.mean_square > 0)) return;
    const double expected = std::sqrt(smooth_variance + lines) / (2 * band.mean_square);
    deviation = std::max(expected, blocks.relative_spread(c, weighting) / 2);
  };
  level(Weighting::kNone, power, line_variance, out.noise_rms, out.noise_deviation);
  level(Weighting::kA, power, 0, out.noise_a_rms, out.noise_a_deviation);
  level(Weighting::k468, power, 0, out.noise_468_rms, out.noise_468_deviation);
  const NoiseBlocks::BandLevel band = blocks.band_level(Weighting::kNone, smooth);
  out.broadband_rms = std::sqrt(band.mean_square);
  if (band.mean_square > 0) {
    out.broadband_deviation = std::sqrt(band.noise_variance) / (2 * band.mean_square);
  }
  return out;
}

NoiseAnalysis NoiseAnalyzer::State::result() const {
  NoiseAnalysis out;
  out.duration_s = frames / fs.hz;
  out.analyzed_s = blocks.covered_s();
  Steering steered = steering;
  const bool is_long_enough = frames / fs.hz >= kShortestHumS * (1 - 1e-9);
  if (is_long_enough && !stretch.empty()) {
    // The stretch under way, filled up with what went before: a block by itself is good for a
    // hundredth of a hertz only.
    std::vector<LowSpectrum> last;
    if (!last_stretch.empty()) {
      last.assign(last_stretch.begin() + static_cast<std::ptrdiff_t>(stretch.size()),
                  last_stretch.end());
    }
    last.insert(last.end(), stretch.begin(), stretch.end());
    close_stretch(last, static_cast<double>(stretch.size()), steered);
  }
  if (!is_long_enough) {
    out.mains_search = MainsSearch::kTooShort;
  } else if (steered.weight > 0) {
    const double mean_hz = steered.sum_hz / steered.weight;
    out.mains = Mains{mean_hz, std::sqrt(steered.variance) / steered.weight, steered.lowest_hz,
                      steered.highest_hz};
    out.mains_search = settings.mains_hz ? MainsSearch::kGiven : MainsSearch::kFound;
  } else if (settings.mains_hz) {
    out.mains = Mains{*settings.mains_hz, 0, *settings.mains_hz, *settings.mains_hz};
    out.mains_search = MainsSearch::kGiven;
  }
  for (std::size_t c = 0; c < channels; ++c) {
    out.channels.push_back(channel_result(c, out.mains, steered));
  }
  const auto has_hum = [](const NoiseChannel& channel) { return channel.hum_rms > 0; };
  if (out.mains_search == MainsSearch::kFound &&
      std::none_of(out.channels.begin(), out.channels.end(), has_hum)) {
    // One stretch's alarm, not borne out by the record as a whole.
    out.mains.reset();
    out.mains_search = MainsSearch::kNotFound;
    for (NoiseChannel& channel : out.channels) channel.hum_lines.clear();
  }
  return out;
}

NoiseAnalyzer::NoiseAnalyzer(SampleRate fs, int channels, const NoiseSettings& settings) {
  require(channels == 1 || channels == 2, "1 or 2 channels, got " + std::to_string(channels));
  require(fs.hz >= 1000 && fs.hz <= 2e6,
          "the rate must be 1 kHz to 2 MHz, got " + std::to_string(fs.hz));
  require(settings.band.low_hz >= 0 && settings.band.low_hz < settings.band.high_hz &&
              settings.band.low_hz < fs.hz / 2,
          "the band from " + std::to_string(settings.band.low_hz) + " Hz is empty");
  if (settings.mains_hz) {
    require(*settings.mains_hz >= kLowestMainsHz && *settings.mains_hz <= kHighestMainsHz,
            "mains_hz must be 45 to 65, got " + std::to_string(*settings.mains_hz));
  }
  state_ = std::make_unique<State>(fs, static_cast<std::size_t>(channels), settings, kBlockS);
}
NoiseAnalyzer::~NoiseAnalyzer() = default;
NoiseAnalyzer::NoiseAnalyzer(NoiseAnalyzer&&) noexcept = default;
NoiseAnalyzer& NoiseAnalyzer::operator=(NoiseAnalyzer&&) noexcept = default;

void NoiseAnalyzer::push(std::span<const double> frames) {
  require(frames.size() % state_->channels == 0,
          std::to_string(frames.size()) + " samples are no whole frames");
  state_->push(frames);
}

std::optional<NoiseAnalysis> NoiseAnalyzer::result() const {
  const State& s = *state_;
  const double duration_s = s.frames / s.fs.hz;
  if (duration_s < kShortestNoiseS * (1 - 1e-9)) return std::nullopt;
  if (s.blocks.count() > 0) return s.result();
  // Less than one block: the same with shorter ones, two of them where they still resolve hum.
  const double block_s = duration_s >= 1.5 * kShortestHumS ? duration_s * 2 / 3 : duration_s;
  NoiseSettings settings = s.settings;
  settings.quasi_peak = false;
  State brief(s.fs, s.channels, settings, block_s);
  brief.push(s.blocks.held());
  return brief.result();
}

}  // namespace sinewright
