#include "dsp/noise_analysis.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>
#include <utility>

#include "dsp/hum_tracker.h"
#include "dsp/noise_blocks.h"
#include "dsp/quasi_peak.h"
#include "dsp/spectral_lines.h"

namespace sinewright {
namespace {

constexpr double kBlockS = 1;

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
  HumTracker hum;

  State(SampleRate rate, std::size_t channel_count, const NoiseSettings& noise_settings,
        double block_s)
      : fs(rate),
        channels(channel_count),
        settings(noise_settings),
        blocks(rate, channel_count, block_s, noise_settings.band, noise_settings.highest_hum_hz),
        sums(channel_count, 0.0),
        hum(rate, channel_count, noise_settings) {
    if (settings.quasi_peak && fs.hz >= 32000) {
      for (std::size_t c = 0; c < channels; ++c) quasi_peak.emplace_back(fs);
    }
  }

  void push(std::span<const double> samples);
  NoiseAnalysis result() const;
  NoiseChannel channel_result(std::size_t c, const std::optional<Mains>& mains,
                              const HumTrack& track) const;
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
  blocks.push(samples, [this](LowSpectrum low) { hum.add(std::move(low), blocks); });
}

NoiseChannel NoiseAnalyzer::State::channel_result(std::size_t c, const std::optional<Mains>& mains,
                                                  const HumTrack& track) const {
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
    const int reference = track.reference_order[c];
    const int highest_order = highest_hum_order(blocks, fs, settings, mains->frequency_hz);
    for (int order = 1; order <= highest_order; ++order) {
      HumLine line = measure_hum_line(blocks, order, *mains, power, floor);
      if (line.above_noise) {
        const double ms = line.rms * line.rms;
        hum_ms += ms;
        line_variance += 4 * ms * ms * line.deviation * line.deviation;
        level_off(order * mains->lowest_hz / bin_hz, order * mains->highest_hz / bin_hz);
        if (reference > 0 && order % reference == 0 &&
            static_cast<std::size_t>(order) < track.relative[c].size()) {
          line.phase_deg = std::arg(track.relative[c][order]) * 180 / std::numbers::pi;
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
  HumTrack track;
  track.reference_order.assign(channels, 0);
  track.relative.resize(channels);
  if (frames / fs.hz < kShortestHumS * (1 - 1e-9)) {
    out.mains_search = MainsSearch::kTooShort;
  } else {
    track = hum.track(blocks);
    out.mains = track.mains();
    if (out.mains) out.mains_search = MainsSearch::kFound;
    if (settings.mains_hz) {
      out.mains_search = MainsSearch::kGiven;
      if (!out.mains) {
        out.mains = Mains{*settings.mains_hz, 0, *settings.mains_hz, *settings.mains_hz};
      }
    }
  }
  for (std::size_t c = 0; c < channels; ++c) {
    out.channels.push_back(channel_result(c, out.mains, track));
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
