#include "dsp/hum_tracker.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "dsp/spectral_lines.h"

namespace sinewright {
namespace {

constexpr std::size_t kBlocksPerStretch = 8;
// Orders that steer the frequency: beyond, drift within a stretch spoils the phases.
constexpr int kHighestSteeringOrder = 20;
constexpr double kReachHz = 0.1;
constexpr double kReachOfGivenHz = 0.5;

}  // namespace

int highest_hum_order(const NoiseBlocks& blocks, SampleRate fs, const NoiseSettings& settings,
                      double mains_hz) {
  const double reach_hz = std::min(settings.highest_hum_hz, fs.hz / 2 - 6 * blocks.bin_hz());
  return std::max(0, static_cast<int>(std::floor(reach_hz / mains_hz)));
}

HumLine measure_hum_line(const NoiseBlocks& blocks, int order, const Mains& mains,
                         std::span<const double> power, std::span<const double> floor) {
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

std::optional<Mains> HumTrack::mains() const {
  if (!(weight > 0)) return std::nullopt;
  return Mains{sum_hz / weight, std::sqrt(variance) / weight, lowest_hz, highest_hz};
}

HumTracker::HumTracker(SampleRate fs, std::size_t channels, const NoiseSettings& settings)
    : fs_(fs), channels_(channels), settings_(settings) {
  track_.reference_order.assign(channels, 0);
  track_.relative.resize(channels);
}

void HumTracker::add(LowSpectrum low, const NoiseBlocks& blocks) {
  stretch_.push_back(std::move(low));
  if (stretch_.size() < kBlocksPerStretch) return;
  close_stretch(stretch_, static_cast<double>(stretch_.size()), blocks, track_);
  last_stretch_ = std::exchange(stretch_, {});
}

HumTrack HumTracker::track(const NoiseBlocks& blocks) const {
  HumTrack track = track_;
  if (stretch_.empty()) return track;
  // The stretch under way, filled up with what went before: a block by itself is good for a
  // hundredth of a hertz only.
  std::vector<LowSpectrum> last;
  if (!last_stretch_.empty()) {
    last.assign(last_stretch_.begin() + static_cast<std::ptrdiff_t>(stretch_.size()),
                last_stretch_.end());
  }
  last.insert(last.end(), stretch_.begin(), stretch_.end());
  close_stretch(last, static_cast<double>(stretch_.size()), blocks, track);
  return track;
}

std::vector<SpectralLine> HumTracker::telling_lines(std::span<const double> power, double averaged,
                                                    const NoiseBlocks& blocks) const {
  const double bin_hz = blocks.bin_hz();
  const std::size_t first = blocks.half_lobe();
  const std::vector<double> floor = spectral_floor(power, first, kFloorReach, averaged);
  // Alone, only orders 1 to 3 are believed: 150 Hz of bins on each channel may raise the alarm.
  const double threshold =
      line_threshold(averaged, kFalseAlarm * bin_hz / (150 * static_cast<double>(channels_)));
  const auto last = static_cast<std::size_t>(12.1 * kHighestMainsHz / bin_hz);
  return find_lines(power, floor, static_cast<std::size_t>(kLowestMainsHz * 0.98 / bin_hz),
                    std::min(last, power.size() - 2), blocks.half_lobe(), threshold, averaged);
}

// First in the stretch by itself, which drift cannot have smeared; then in all so far.
std::optional<double> HumTracker::search(Stretch of, const NoiseBlocks& blocks) const {
  for (const bool in_stretch : {true, false}) {
    std::vector<SpectralLine> lines;
    for (std::size_t c = 0; c < channels_; ++c) {
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
      const std::vector<SpectralLine> found = telling_lines(power, averaged, blocks);
      lines.insert(lines.end(), found.begin(), found.end());
    }
    if (const auto mains = find_mains(lines, blocks.bin_hz())) return mains->value;
  }
  return std::nullopt;
}

std::vector<FamilyLine> HumTracker::steering_lines(double mains_hz, Stretch of,
                                                   const NoiseBlocks& blocks) const {
  std::vector<FamilyLine> lines;
  const int orders =
      std::min(kHighestSteeringOrder, highest_hum_order(blocks, fs_, settings_, mains_hz));
  for (std::size_t c = 0; c < channels_; ++c) {
    std::vector<double> power = blocks.mean_square(c);
    power.resize(of.front().channels[c].size());
    const std::vector<double> floor =
        spectral_floor(power, blocks.half_lobe(), kFloorReach, static_cast<double>(blocks.count()));
    const Mains guess{mains_hz, 0, mains_hz, mains_hz};
    for (int order = 1; order <= orders; ++order) {
      const HumLine line = measure_hum_line(blocks, order, guess, power, floor);
      if (!line.above_noise) continue;
      const auto bin = static_cast<std::size_t>(std::lround(line.frequency_hz / blocks.bin_hz()));
      // E|error|^2 of a peak phasor: 2 e p, with p the noise's mean square a bin.
      const double variance =
          std::max(2 * blocks.overlap_figure() * floor[bin], 1e-24 * line.rms * line.rms + 1e-300);
      lines.push_back({c, order, variance});
    }
  }
  return lines;
}

void HumTracker::close_stretch(Stretch of, double weight, const NoiseBlocks& blocks,
                               HumTrack& into) const {
  const std::optional<double> found = settings_.mains_hz ? settings_.mains_hz : search(of, blocks);
  if (!found) return;
  const std::vector<FamilyLine> lines = steering_lines(*found, of, blocks);
  if (lines.empty()) return;
  const double reach_hz = settings_.mains_hz ? kReachOfGivenHz : kReachHz;
  const FrequencyEstimate estimate = refine_mains(of, lines, blocks.window_coefficients(),
                                                  blocks.block_frames(), fs_, {*found}, reach_hz);
  into.weight += weight;
  into.sum_hz += weight * estimate.frequency_hz;
  into.variance += weight * weight * estimate.deviation_hz * estimate.deviation_hz;
  into.lowest_hz = std::min(into.lowest_hz, estimate.frequency_hz);
  into.highest_hz = std::max(into.highest_hz, estimate.frequency_hz);
  gather_phases(of, estimate.frequency_hz, lines, blocks, into);
}

void HumTracker::gather_phases(Stretch of, double mains_hz, std::span<const FamilyLine> lines,
                               const NoiseBlocks& blocks, HumTrack& into) const {
  const int orders = highest_hum_order(blocks, fs_, settings_, mains_hz);
  for (std::size_t c = 0; c < channels_; ++c) {
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

}  // namespace sinewright
