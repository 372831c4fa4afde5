#include "measure/drive.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr double kBorne = 1.1;        // of the limit, before it is cut
constexpr double kGainRise = 0.05;    // dB per dB of level: crossover distortion eats faint tones
constexpr double kLeastClimb_db = 1;  // smaller steps lead nowhere
constexpr double kOctave = 2.05;      // ISO 266's octave is 10^0.3
constexpr double kKnownFor_s = 3;
constexpr double kClear = 4;  // times the floor: what was observed is mostly tone
// A full-scale sine has 0.707.
constexpr double kClipping_rms = 0.65;
constexpr double kFullScale = 0.9995;
constexpr int kClippingRun = 3;  // samples; a sine that just fits touches with one or two
constexpr double kDwellFrom_hz = 10000;
constexpr double kDwellFrom_w = 1;  // a tweeter's worth burns nothing
constexpr double kDwellRest_s = 2;

}  // namespace

Drive::Drive(SampleRate fs, std::size_t inputs, const std::optional<Chain>& chain)
    : fs_(fs),
      inputs_(inputs),
      chain_(chain),
      generator_(std::make_shared<ToneGenerator>(fs, kRamp_s)) {
  if (!chain_) return;
  limit_watts(kInfinity);
  heat_.assign(inputs_, LoadHeat(chain_->profile().load));
}

void Drive::limit_watts(double watts, bool is_confirmable) {
  is_confirmable_ = is_confirmable;
  cut_ = Cut::kNone;
  is_unit_driven_ = true;
  limit_rms_ = kInfinity;
  limit_w_ = watts;
  if (!chain_) return;
  limit_w_ = std::min({watts, chain_->profile().power_limit_w, chain_->profile().load.rated_w});
}

void Drive::limit_rms(double rms) {
  cut_ = Cut::kNone;
  is_unit_driven_ = false;
  limit_rms_ = rms;
  forget_gain();
}

bool Drive::knows(Hertz frequency, std::uint32_t channels) const {
  if (!observed_) return false;
  const double ratio = frequency.value / observed_->frequency_hz;
  // An output without an input of its own counts as well: two may meet at the one input.
  return ratio < kOctave && ratio > 1 / kOctave && (channels & ~observed_->channels) == 0;
}

// Driven or not: a lead may be in the wrong socket.
double Drive::most_watts() const {
  return *std::max_element(observed_->watts.begin(), observed_->watts.begin() + inputs_);
}

double Drive::next_level(Hertz frequency, double level_dbfs, std::uint32_t channels) const {
  if (cut_ != Cut::kNone) throw Error(ExitCode::kRefused, cut_text());
  if (!is_limited()) return level_dbfs;
  if (!knows(frequency, channels)) return std::min(level_dbfs, kFaintest_dbfs);
  const double wanted_db = level_dbfs - observed_->level_dbfs;
  if (wanted_db <= 0) return level_dbfs;
  const double watts = most_watts();
  const double room_db = watts > 0 ? db_of_power_ratio(kBorne * limit_w_ / watts) : kInfinity;
  const double step_db = std::min(kClimb_db, room_db / (1 + kGainRise));
  if (wanted_db <= step_db) return level_dbfs;
  const double floor_w = *std::max_element(floor_w_.begin(), floor_w_.end());
  const bool is_clear = has_floor_ && watts > kClear * floor_w;
  if ((is_clear && wanted_db > room_db) || step_db < kLeastClimb_db) {
    refuse(level_dbfs, watts * std::pow(10, wanted_db / 10));
  }
  return observed_->level_dbfs + step_db;
}

void Drive::refuse(double level_dbfs, double watts) const {
  throw Error(
      ExitCode::kRefused,
      fmt::format(
          "{:.4g} dBFS would come to some {:.3g} W, above the {:.3g} W allowed: not played; "
          "lower level or volume{}",
          level_dbfs, watts, limit_w_, way_to_more()));
}

const char* Drive::way_to_more() const {
  return is_confirmable_ && limit_w_ <= 1
             ? ", or go through the checklist in docs/safety.md and give --confirmed"
             : "";
}

std::optional<double> Drive::predicted_watts(Hertz frequency, double level_dbfs,
                                             std::uint32_t channels) const {
  if (!is_limited() || !knows(frequency, channels)) return std::nullopt;
  return most_watts() * std::pow(10, (level_dbfs - observed_->level_dbfs) / 10);
}

double Drive::settling_s() const {
  return is_playing() ? std::max(0.02, 1 / frequency_.value) : 0.02;
}

// Long enough to stand for the whole tone: 3 periods in whole blocks err by 3 % at the most.
double Drive::window_s() const {
  return is_playing() ? std::max(0.06, 3 / frequency_.value) : 0.06;
}

void Drive::check_playable(Hertz frequency, double level_dbfs) const {
  const double amplitude = amplitude_ratio_of_db(level_dbfs);
  if (!(frequency.value > 0 && frequency.value < fs_.hz / 2)) {
    throw Error(ExitCode::kUsage,
                fmt::format("frequency {:.6g} Hz: must lie between 0 and {:.6g} Hz, half the rate; "
                            "lower it or choose a higher rate",
                            frequency.value, fs_.hz / 2));
  }
  if (!(amplitude <= 1)) {
    throw Error(ExitCode::kUsage,
                fmt::format("level {:.2f} dBFS: above full scale; give 0 or less", level_dbfs));
  }
}

void Drive::play(Hertz frequency, double level_dbfs, std::uint32_t channels) {
  check_playable(frequency, level_dbfs);
  if (next_level(frequency, level_dbfs, channels) < level_dbfs) {
    throw Error(
        ExitCode::kRefused,
        fmt::format("{:.4g} dBFS is too far above what was last observed: not played", level_dbfs));
  }
  const std::array<Tone, 1> tone = {Tone{frequency.value, amplitude_ratio_of_db(level_dbfs)}};
  generator_->set_channels(channels);
  generator_->go_to(tone);
  level_dbfs_ = level_dbfs;
  frequency_ = frequency;
  channels_ = channels;
  forget_window();
}

void Drive::silence() {
  generator_->go_to({});
  level_dbfs_ = -kInfinity;
  forget_window();
}

void Drive::forget_window() {
  window_w_s_ = {};
  window_s_ = 0;
}

double Drive::watts_of(double mean_square, std::size_t channel) const {
  return chain_->watts_of_volts(chain_->volts_of_rms(std::sqrt(mean_square), channel), channel);
}

bool Drive::clips(std::span<const double> frames) {
  for (std::size_t c = 0; c < inputs_; ++c) {
    int run = full_scale_run_[c];
    for (std::size_t i = c; i < frames.size(); i += inputs_) {
      run = std::abs(frames[i]) >= kFullScale ? run + 1 : 0;
      if (run >= kClippingRun) return true;
    }
    full_scale_run_[c] = run;
  }
  return false;
}

void Drive::observe(std::span<const double> frames, bool is_settled) {
  if (frames.empty() || (!is_limited() && std::isinf(limit_rms_))) return;
  const double count = static_cast<double>(frames.size()) / static_cast<double>(inputs_);
  std::array<double, 2> mean_square{};
  for (std::size_t i = 0; i < frames.size(); i += inputs_) {
    for (std::size_t c = 0; c < inputs_; ++c) mean_square[c] += frames[i + c] * frames[i + c];
  }
  for (double& sum : mean_square) sum /= count;
  if (!is_limited()) {
    const double most = *std::max_element(mean_square.begin(), mean_square.end());
    if (most > limit_rms_ * limit_rms_ * crest(count / fs_.hz)) cut_because(Cut::kTooMuch);
    return;
  }
  if (clips(frames)) cut_because(Cut::kInputClips);
  watch(mean_square, count / fs_.hz);
  if (is_settled) learn(mean_square, count / fs_.hz);
}

// A stretch shorter than half a period can hold the crest alone: its mean square exceeds that of
// the whole tone by up to sin(x) / x, with x = w T.
double Drive::crest(double seconds) const {
  const double x = kTwoPi * frequency_.value * seconds;
  return 1 + (x > 0 ? std::abs(std::sin(x) / x) : 1);
}

void Drive::watch(std::span<const double> mean_square, double seconds) {
  double most_w = 0;
  bool is_load_hot = false;
  for (std::size_t c = 0; c < inputs_; ++c) {
    now_w_[c] = watts_of(mean_square[c], c);
    most_w = std::max(most_w, now_w_[c]);
    heat_[c].advance(now_w_[c], seconds);
    is_load_hot = is_load_hot || heat_[c].is_too_hot();
    if (now_w_[c] > kBorne * limit_w_ * crest(seconds)) cut_because(Cut::kTooMuch);
    if (mean_square[c] > kClipping_rms * kClipping_rms * crest(seconds)) {
      cut_because(Cut::kInputClips);
    }
  }
  if (is_load_hot) cut_because(Cut::kLoadHot);
  const double dwell_s = chain_->profile().dwell_s;
  const bool is_dwell = is_dwelling(frequency_, most_w);
  dwelt_s_ = std::max(0.0, dwelt_s_ + (is_dwell ? seconds : -seconds * dwell_s / kDwellRest_s));
  if (dwelt_s_ > dwell_s) cut_because(Cut::kDwell);
  silent_s_ = is_playing() ? 0 : silent_s_ + seconds;
  if (silent_s_ > kKnownFor_s) forget_gain();
}

void Drive::learn(std::span<const double> mean_square, double seconds) {
  for (std::size_t c = 0; c < inputs_; ++c) {
    window_w_s_[c] += watts_of(mean_square[c], c) * seconds;
  }
  window_s_ += seconds;
  if (window_s_ + 1 / fs_.hz < window_s()) return;  // read in whole frames
  std::array<double, 2> watts{};
  for (std::size_t c = 0; c < inputs_; ++c) watts[c] = window_w_s_[c] / window_s_;
  if (is_playing()) {
    observed_ = Observed{frequency_.value, level_dbfs_, channels_, watts};
  } else {
    floor_w_ = watts;
    has_floor_ = true;
  }
  forget_window();
}

void Drive::cut_because(Cut reason) {
  if (!is_playing()) return;
  silence();
  cut_ = reason;
  forget_gain();  // whatever happened
}

std::string Drive::cut_text() const {
  switch (cut_) {
    case Cut::kNone:
      return {};
    case Cut::kTooMuch:
      if (!is_limited()) return "the input came to more than this wiring gives: the drive was cut";
      return fmt::format(
          "the output came to more than {:.3g} W: the drive was cut; lower level or "
          "volume{}",
          limit_w_, way_to_more());
    case Cut::kInputClips:
      return "the sound card's input clips: the drive was cut; use a range with a higher ratio, or "
             "lower the level";
    case Cut::kLoadHot:
      return "the load has had what it bears: the drive was cut; let it cool, or lower the level";
    case Cut::kDwell:
      return fmt::format(
          "full power above 10 kHz for {:.3g} s: the drive was cut, for output "
          "networks burn; lower the level, or read for a shorter time",
          chain_->profile().dwell_s);
  }
  return {};
}

bool Drive::is_dwelling(Hertz frequency, double watts) const {
  return frequency.value > kDwellFrom_hz && watts > std::max(kDwellFrom_w, limit_w_ / 4);
}

double Drive::rest_s(Hertz frequency, double watts, double duration_s) const {
  if (!is_limited()) return 0;
  double rest_s = 0;
  if (is_dwelling(frequency, watts)) {
    const double dwell_s = chain_->profile().dwell_s;
    if (duration_s > dwell_s) return kInfinity;
    if (dwelt_s_ + duration_s > dwell_s) rest_s = dwelt_s_ * kDwellRest_s / dwell_s;
  }
  // Up to the limit a step may be taken; what the tenth above it adds, observe() adds up.
  const double borne_w = std::min(watts, chain_->profile().load.rated_w);
  for (const LoadHeat& heat : heat_) rest_s = std::max(rest_s, heat.rest_s(borne_w, duration_s));
  return rest_s;
}

double Drive::allowed_s() const {
  if (!is_limited() || !is_playing()) return kInfinity;
  double left_s = kInfinity;
  for (std::size_t c = 0; c < inputs_; ++c) {
    left_s =
        std::min(left_s, heat_[c].bearable_s(std::min(now_w_[c], chain_->profile().load.rated_w)));
    if (is_dwelling(frequency_, now_w_[c])) {
      left_s = std::min(left_s, std::max(0.0, chain_->profile().dwell_s - dwelt_s_));
    }
  }
  return left_s;
}

}  // namespace sinewright
