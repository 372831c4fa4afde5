#include "dsp/plateau_rules.h"

#include <algorithm>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

constexpr double kSigmas = 6;
constexpr double kLevelTolerance = 0.004;      // relative: 0.035 dB
constexpr double kPhaseTolerance_rad = 0.002;  // 0.1 degree
constexpr double kResidualFactor = 6;
constexpr int kMemoryHops = 16;

// `bin`: how many periods the window spans, hence how well the frequency is known.
bool is_hum(double frequency_hz, double bin) {
  for (const double mains_hz : {50.0, 60.0}) {
    for (int order = 1; order <= 3; ++order) {
      if (std::abs(frequency_hz / (order * mains_hz) - 1) < 0.007 + 0.1 / bin) return true;
    }
  }
  return false;
}

double level_db(double power) { return 10 * std::log10(std::max(power, 1e-20)); }

}  // namespace

WindowVerdict judge_window(const ShortSpectrum& spectrum, double hum_below_dbfs) {
  if (!(spectrum.power > 1e-20)) return WindowVerdict::kNoise;
  if (spectrum.bin < 3.9) return WindowVerdict::kTooShort;
  if (dbfs_of_rms(std::sqrt(spectrum.power)) < hum_below_dbfs &&
      is_hum(spectrum.frequency_hz, spectrum.bin)) {
    return WindowVerdict::kNoise;
  }
  const double both = spectrum.share + spectrum.second_share;
  if (spectrum.second_share > 0.03 && both > 0.9) {
    const double second_bin = spectrum.bin * spectrum.second_hz / spectrum.frequency_hz;
    if (second_bin < 3.9) return WindowVerdict::kTooShort;
    const double order = spectrum.second_hz / spectrum.frequency_hz;
    const double nearest = std::round(order);
    const bool is_harmonic =
        nearest >= 2 && nearest < 10 && std::abs(order - nearest) < 0.75 / spectrum.bin;
    if (!is_harmonic) return WindowVerdict::kTwoTones;
  }
  return spectrum.share > 0.5 ? WindowVerdict::kTone : WindowVerdict::kNoise;
}

bool has_own_tone(const ShortSpectrum& channel, const ShortSpectrum& lead, double bin_hz) {
  return channel.share > 0.5 && channel.bin >= 3.9 && channel.power > 1e-10 &&
         std::abs(channel.frequency_hz - lead.frequency_hz) > 1.5 * bin_hz &&
         channel.power > 1e-4 * lead.power;
}

Complex ToneFollower::predicted(const State& state, int hops_ahead) const {
  return state.phasor * std::polar(1.0, state.turn_rad * hops_ahead);
}

// A Hann-weighted phasor over n samples of variance s^2 has E|error|^2 = 6 s^2 / n.
double ToneFollower::deviation(const State& state, std::size_t hop_frames) const {
  const double expected = 6 * residual_ms_ / static_cast<double>(hop_frames);
  return std::sqrt(std::max(expected, state.innovation_ms));
}

HopVerdict ToneFollower::judge(const HopMeter::Reading& hop, std::size_t hop_frames,
                               int hops_ahead) const {
  HopVerdict verdict = HopVerdict::kHolds;
  double tone_ms = 0;
  for (std::size_t t = 0; t < states_.size(); ++t) {
    const State& state = states_[t];
    const Complex expected = predicted(state, hops_ahead);
    const double magnitude = std::abs(expected);
    const double sd = deviation(state, hop_frames);
    tone_ms += magnitude * magnitude / 2;
    const double moved = std::abs(std::abs(hop.phasors[t]) - magnitude);
    if (moved > kSigmas * sd + kLevelTolerance * magnitude + 1e-7) return HopVerdict::kLevelMoved;
    if (magnitude > 20 * sd && magnitude > 1e-7) {
      // The first hops have still to learn how far off the frequency is. Later, what turns the tone
      // by less than the loss of a frame does is not worth a break; that bound holds however far
      // ahead, or a frame lost now would be within it two hops on, and pass for a transient.
      const double drift_rad = (hops_ < 8 ? 0.1 : kPhaseTolerance_rad) * hops_ahead;
      const double allowed_rad = hops_ < 2 ? 3.2 : std::max(drift_rad, 0.45 * lost_frame_rad_[t]);
      const double turned = std::abs(std::arg(hop.phasors[t] * std::conj(expected)));
      if (turned > kSigmas * sd / magnitude + allowed_rad) {
        verdict = HopVerdict::kPhaseMoved;
      }
    }
  }
  // What harmonics and a second tone leave under the window; lesser clicks are found in the blocks.
  const double floor_ms = 1e-5 * tone_ms + 1e-16;
  if (hop.residual_ms > kResidualFactor * (residual_ms_ + floor_ms) &&
      verdict == HopVerdict::kHolds) {
    verdict = HopVerdict::kResidualMoved;
  }
  return verdict;
}

void ToneFollower::accept(const HopMeter::Reading& hop, const ToneFollower* leader) {
  const double gain = std::max(1.0 / (hops_ + 1), 1.0 / kMemoryHops);
  // A line through all hops so far, later through the last sixteen or so: the gains of a
  // growing-memory filter of first degree, which make no error for a constant offset in frequency.
  const double n = std::min(hops_, kMemoryHops);
  const double alpha = 2 * (2 * n + 1) / ((n + 1) * (n + 2));
  const double beta = 6 / ((n + 1) * (n + 2));
  for (std::size_t t = 0; t < states_.size(); ++t) {
    State& state = states_[t];
    if (hops_ == 0) {
      state.phasor = hop.phasors[t];
      continue;
    }
    const Complex expected = predicted(state, 1);
    const Complex innovation = hop.phasors[t] - expected;
    const double turned =
        std::abs(expected) > 0 ? std::arg(hop.phasors[t] * std::conj(expected)) : 0;
    if (leader != nullptr) {
      state.turn_rad = leader->states_[t].turn_rad;
      state.phasor = expected + gain * innovation;
    } else if (hops_ == 1) {
      state.turn_rad += turned;
      state.phasor = hop.phasors[t];
    } else {
      state.turn_rad += beta * turned;
      state.phasor = expected + alpha * innovation;
      state.innovation_ms += gain * (std::norm(innovation) - state.innovation_ms);
    }
  }
  residual_ms_ += gain * (hop.residual_ms - residual_ms_);
  if (recent_levels_.size() == static_cast<std::size_t>(kMemoryHops))
    recent_levels_.erase(recent_levels_.begin());
  recent_levels_.push_back(std::abs(hop.phasors[0]));
  ++hops_;
}

void ToneFollower::skip(int hops) {
  for (State& state : states_) state.phasor = predicted(state, hops);
}

void ToneFollower::restart_at(const HopMeter::Reading& hop) {
  for (std::size_t t = 0; t < states_.size(); ++t) states_[t].phasor = hop.phasors[t];
}

void ToneFollower::rebase(const HopMeter::Reading& hop) {
  for (std::size_t t = 0; t < states_.size(); ++t) {
    states_[t].phasor = hop.phasors[t];
    states_[t].turn_rad = 0;
  }
}

double ToneFollower::phase_error_rad(const HopMeter::Reading& hop, int hops_ahead) const {
  return std::arg(hop.phasors[0] * std::conj(predicted(states_[0], hops_ahead)));
}

bool ToneFollower::is_moving(std::size_t hop_frames, double hop_s) const {
  const std::size_t count = recent_levels_.size();
  if (count < 3) return false;
  // Means of the older and the newer third, two thirds of the time apart.
  const std::size_t third = count / 3;
  double older = 0;
  double newer = 0;
  for (std::size_t i = 0; i < third; ++i) {
    older += recent_levels_[i] / static_cast<double>(third);
    newer += recent_levels_[count - 1 - i] / static_cast<double>(third);
  }
  if (!(older > 0 && newer > 0)) return false;
  const double apart_s = static_cast<double>(count - third) * hop_s;
  constexpr double limit_db_per_s = 0.5;
  // Of the level alone: half the variance of the phasor.
  const double sd = std::sqrt(6 * residual_ms_ / static_cast<double>(hop_frames) / 2) / older *
                    std::sqrt(2.0 / static_cast<double>(third));
  const double moved_db = std::abs(db_of_amplitude_ratio(newer / older));
  return moved_db > limit_db_per_s * apart_s + kSigmas * 8.686 * sd;
}

double ToneFollower::residual_share() const {
  double tone_ms = 0;
  for (const State& state : states_) tone_ms += std::norm(state.phasor) / 2;
  return tone_ms > 0 ? residual_ms_ / tone_ms : 1;
}

double ToneFollower::weakest_share() const {
  double least = std::norm(states_[0].phasor);
  double most = least;
  for (const State& state : states_) {
    least = std::min(least, std::norm(state.phasor));
    most = std::max(most, std::norm(state.phasor));
  }
  return most > 0 ? least / most : 0;
}

bool LevelFollower::holds(double power) const {
  // Until the spread is known, that of 0.1 s of noise a few hundred hertz wide.
  constexpr double kPriorVariance = 0.09;
  constexpr double kPriorHops = 4;
  const double variance = (kPriorHops * kPriorVariance + std::min(hops_, 64) * variance_) /
                          (kPriorHops + std::min(hops_, 64));
  return std::abs(level_db(power) - mean_db_) <= 5 * std::sqrt(variance) + 0.2;
}

bool LevelFollower::resembles(double power) const {
  return std::abs(level_db(power) - mean_db_) < 10;
}

void LevelFollower::accept(double power) {
  const double db = level_db(power);
  const double gain = std::max(1.0 / (hops_ + 1), 1.0 / 64);
  const double departure = db - mean_db_;
  mean_db_ += gain * departure;
  if (hops_ > 0) variance_ += gain * (departure * departure - variance_);
  ++hops_;
}

}  // namespace sinewright
