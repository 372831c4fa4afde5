#include "dsp/tone_figures.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace sinewright {
namespace {

// Noise next to a line is taken from this many bins on either side.
constexpr std::size_t kNeighbourBins = 12;
// The tone's own bins: main lobe and one more, where the drift terms took noise along.
constexpr std::size_t kOwnBins = 5;

// Mean over the bins `inner` to `outer` away from `centre`, on both sides, from `first` on.
double mean_around(std::span<const double> values, std::size_t centre, std::size_t inner,
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

// The figures of one channel, each step from those before.
class Figures {
 public:
  Figures(const TonePlan& plan, const ToneGroup& group, const ToneSums& sums, std::int64_t blocks)
      : plan_(plan), group_(group), sums_(sums), blocks_(blocks), n_(static_cast<double>(plan.n)) {}

  ToneChannel all() {
    out_.peaks = sums_.peaks;
    // A channel of zeros reads zero, not what rounding brings over from its neighbour in the FFT.
    if (sums_.peaks.positive == 0 && sums_.peaks.negative == 0) return out_;
    out_.fundamental_rms = std::sqrt(sums_.fundamental_ms / sums_.weight);
    out_.offset = sums_.offset / sums_.weight;
    amplitude_ = out_.fundamental_rms * std::numbers::sqrt2;
    mend_close_in_noise();
    find_frequency();
    find_harmonics();
    find_noise();
    find_ratios();
    find_drift();
    compare_paths();
    return out_;
  }

 private:
  // Where the fit took noise along, the neighbours' stands in for it; what is more than that, such
  // as flutter, is really there and stays.
  void mend_close_in_noise() {
    noise_.resize(sums_.noise.size());
    for (std::size_t m = 0; m < noise_.size(); ++m) noise_[m] = sums_.noise[m] / sums_.weight;
    const auto centre =
        static_cast<std::size_t>(std::lround(group_.fitter.basis_frequency_hz() / plan_.bin_hz));
    const double beside =
        mean_around(noise_, centre, kOwnBins + 1, kOwnBins + kNeighbourBins, plan_.first_noise_bin);
    const auto begin =
        noise_.begin() + static_cast<std::ptrdiff_t>(
                             std::max(plan_.first_noise_bin, centre - std::min(centre, kOwnBins)));
    const auto end = noise_.begin() + static_cast<std::ptrdiff_t>(
                                          std::min(noise_.size() - 1, centre + kOwnBins + 1));
    double own = 0;
    for (auto bin = begin; bin < end; ++bin) own += *bin;
    if (begin < end && own < beside * static_cast<double>(end - begin)) {
      std::fill(begin, end, beside);
    }
    out_.close_in_hz = kOwnBins * plan_.bin_hz;

    // As the variance of a sample in white noise of that density: 2 s^2 / N is the bound.
    local_ms_ = beside * plan_.bin_power * n_ / 2;
    const double amplitude_variance = 2 * local_ms_ / (n_ * sums_.weight);
    out_.has_tone = amplitude_ > 0 && amplitude_ * amplitude_ > 50 * amplitude_variance;
    if (amplitude_ > 0) out_.level_deviation = std::sqrt(amplitude_variance) / amplitude_;
  }

  // Two estimates of one frequency, weighted by their Fisher information: from the turn of the
  // phase within the blocks, and from block to block.
  void find_frequency() {
    if (!(amplitude_ > 0)) return;
    const double within = n_ * n_ * n_ * sums_.weight / 12;
    const double between = sums_.phase.sxx() * plan_.fs.hz * plan_.fs.hz * n_;
    const double within_hz = sums_.block_frequency / sums_.weight;
    const double between_hz = sums_.phase.slope() / kTwoPi;
    out_.frequency_hz = (within_hz * within + between_hz * between) / (within + between);
    out_.frequency_deviation_hz =
        std::sqrt(2 * local_ms_ / (within + between)) / amplitude_ * plan_.fs.hz / kTwoPi;
  }

  void find_harmonics() {
    for (std::size_t i = 0; i < group_.orders.size(); ++i) {
      HarmonicLevel level{};
      level.order = group_.orders[i];
      level.frequency_hz = level.order * out_.frequency_hz;
      level.ratio = sums_.ratio[i] / sums_.weight;
      const auto bin = static_cast<std::size_t>(std::lround(level.frequency_hz / plan_.bin_hz));
      const double around = mean_around(noise_, std::min(bin, noise_.size() - 2), 0, kNeighbourBins,
                                        plan_.first_noise_bin);
      const double variance = amplitude_ > 0 ? group_.lines->phasor_variance(i, around) /
                                                   (amplitude_ * amplitude_ * sums_.weight)
                                             : 0;
      level.power_ratio = std::norm(level.ratio) - variance;
      level.deviation = std::sqrt(variance / 2);
      harmonic_power_ += level.power_ratio;
      harmonic_variance_ += 2 * std::max(0.0, level.power_ratio) * variance + variance * variance;
      out_.harmonics.push_back(level);
    }
    const double deviation = std::sqrt(harmonic_variance_);
    out_.thd_bound = std::sqrt(std::max(0.0, harmonic_power_) + 2 * deviation);
    if (harmonic_power_ > 2 * deviation) out_.thd = std::sqrt(harmonic_power_);
  }

  void find_noise() {
    double in_band = 0;
    double a_weighted = 0;
    double itu_468 = 0;
    for (std::size_t m = plan_.band_begin; m < plan_.band_end; ++m) {
      in_band += noise_[m];
      a_weighted += noise_[m] * plan_.a_gain[m];
      itu_468 += noise_[m] * plan_.itu_468_gain[m];
    }
    double above = 0;
    for (std::size_t m = plan_.band_end; m + 1 < noise_.size(); ++m) above += noise_[m];
    out_.noise_rms = std::sqrt(in_band * plan_.bin_power);
    out_.noise_a_rms = std::sqrt(a_weighted * plan_.bin_power);
    out_.noise_468_rms = std::sqrt(itu_468 * plan_.bin_power);
    out_.ultrasonic_rms = std::sqrt(above * plan_.bin_power);
  }

  void find_ratios() {
    fundamental_ms_ = out_.fundamental_rms * out_.fundamental_rms;
    const double noise_ms = out_.noise_rms * out_.noise_rms;
    const double distortion_ms = std::max(0.0, harmonic_power_) * fundamental_ms_ + noise_ms;
    const double total_ms = fundamental_ms_ + distortion_ms;
    out_.level_rms = std::sqrt(total_ms);
    if (!(distortion_ms > 0)) return;
    out_.thd_n = std::sqrt(distortion_ms / total_ms);
    // Bins are correlated under the window: their sum has the variance of 1 / 1.9 as many.
    const double bins = static_cast<double>(plan_.band_end - plan_.band_begin) * sums_.weight;
    const double noise_variance = noise_ms * noise_ms * 1.9 / std::max(1.0, bins);
    const double tone_variance = harmonic_variance_ * fundamental_ms_ * fundamental_ms_;
    out_.thd_n_deviation = std::sqrt(noise_variance + tone_variance) / (2 * distortion_ms);
  }

  void find_drift() {
    out_.level_blocks = sums_.level_db.weight();
    out_.level_spread = sums_.level_db.mean_deviation() * std::numbers::ln10 / 20;
    const bool has_many = blocks_ > 1;
    out_.level_drift_db_per_s =
        has_many ? sums_.level_db.slope() : sums_.block_drift_db_per_s / sums_.weight;
    out_.frequency_drift_hz_per_s =
        has_many ? sums_.frequency.slope() : sums_.block_drift_hz_per_s / sums_.weight;
  }

  // What the notch must read: every bin and every harmonic through its own response.
  [[nodiscard]] double predicted_notch_ms() const {
    const double centre_hz =
        amplitude_ > 0 ? out_.frequency_hz : group_.fitter.basis_frequency_hz();
    const auto warped_sq = [&](double hz) {
      const double warped = std::tan(std::numbers::pi * hz / plan_.fs.hz);
      return warped * warped;
    };
    const double centre_sq = warped_sq(centre_hz);
    double predicted = 0;
    for (std::size_t m = plan_.first_noise_bin; m + 1 < noise_.size(); ++m) {
      predicted += noise_[m] * plan_.band_gain[m] *
                   plan_.notch.notch_power_gain(plan_.warped_sq[m], centre_sq);
    }
    predicted *= plan_.bin_power;
    for (const HarmonicLevel& harmonic : out_.harmonics) {
      predicted += harmonic.power_ratio * fundamental_ms_ *
                   plan_.notch.band_power_gain(harmonic.frequency_hz) *
                   plan_.notch.notch_power_gain(warped_sq(harmonic.frequency_hz), centre_sq);
    }
    return std::max(0.0, predicted) + sums_.notch_leak_ms / sums_.weight;
  }

  void compare_paths() {
    constexpr double kNotchFloor = 1e-8;  // -160 dB
    const double measured_ms = sums_.notch_ms / sums_.weight;
    const double predicted_ms = predicted_notch_ms();
    const auto ratio = [this](double ms) {
      return std::sqrt(ms / std::max(1e-300, fundamental_ms_ + ms));
    };
    out_.notch_thd_n = ratio(measured_ms);
    out_.notch_thd_n_predicted = ratio(predicted_ms);
    // What leaks through the notch while the level moves is no reading of distortion.
    const bool leaks = sums_.notch_leak_ms / sums_.weight >= 0.1 * measured_ms;
    if (!out_.has_tone || leaks || out_.notch_thd_n < kNotchFloor ||
        out_.notch_thd_n_predicted < kNotchFloor) {
      return;
    }
    const Band& band = plan_.settings.band;
    const double band_hz = std::min(band.high_edge_hz(), plan_.fs.hz / 2) - band.low_edge_hz();
    const double time_s = sums_.notch_frames / plan_.fs.hz;
    // The noise so near the tone is an estimate on the one path only: a wide share at low tones.
    const double close_in = out_.close_in_hz / out_.frequency_hz;
    const double allowed_db = 0.1 + 13 / std::sqrt(band_hz * time_s) + close_in * close_in;
    const double apart_db = db_of_amplitude_ratio(out_.notch_thd_n / out_.notch_thd_n_predicted);
    out_.paths_disagree = std::abs(apart_db) > allowed_db;
  }

  const TonePlan& plan_;
  const ToneGroup& group_;
  const ToneSums& sums_;
  std::int64_t blocks_;
  double n_;
  ToneChannel out_;
  std::vector<double> noise_;  // |X|^2 for each bin, mean over the blocks
  double amplitude_ = 0;
  double fundamental_ms_ = 0;
  double local_ms_ = 0;
  double harmonic_power_ = 0;  // relative to the fundamental
  double harmonic_variance_ = 0;
};

}  // namespace

ToneChannel tone_figures(const TonePlan& plan, const ToneGroup& group, const ToneSums& sums,
                         std::int64_t blocks) {
  return Figures(plan, group, sums, blocks).all();
}

}  // namespace sinewright
