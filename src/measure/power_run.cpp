#include "measure/power_run.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

constexpr double kStart_dbfs = -40;
constexpr double kHighestDrive_dbfs = -0.5;
constexpr double kFinest_db = 0.1;

// Rails sag and recover with their reservoirs, some 0.1 s; filters in a few periods.
double settling_s(double frequency_hz) { return 0.2 + 6 / frequency_hz; }

constexpr double kShortest_s = 0.1;  // that a step is analysed

// What a step is played beside the time that is analysed.
double overhead_s(const Session& session, double frequency_hz) {
  const auto delay = static_cast<double>(std::max<std::int64_t>(0, session.loop_delay_frames()));
  return settling_s(frequency_hz) + 0.05 + delay / session.sample_rate().hz;
}

std::uint32_t mask_of(Driven driven) {
  switch (driven) {
    case Driven::kLeft:
      return 1;
    case Driven::kRight:
      return 2;
    case Driven::kBoth:
      break;
  }
  return ~0U;
}

// A reading of one step under a name of its own, with all that belongs to it.
void append_taken(Findings& findings, const char* key, const Reading* of_step,
                  const char* note = "") {
  if (of_step == nullptr) return;
  Reading taken = *of_step;
  taken.key = key;
  taken.note = note;
  findings.readings.push_back(std::move(taken));
}

}  // namespace

PowerRun::PowerRun(Session& session, const PowerSettings& settings, const PowerLimits& limits,
                   Progress& progress)
    : session_(session), settings_(settings), limits_(limits), progress_(progress) {}

std::vector<std::string> PowerRun::driven_channels() const {
  std::vector<std::string> names = channel_names(static_cast<int>(session_.channels()));
  if (names.size() < 2 || settings_.driven == Driven::kBoth) return names;
  return {names[settings_.driven == Driven::kLeft ? 0 : 1]};
}

double PowerRun::highest_watts(const Findings& step) const {
  double highest = 0;
  // All channels, driven or not: a lead may be in the wrong socket.
  for (const Reading& reading : step.readings) {
    if (reading.key == "level" && reading.unit == Unit::kWatt) {
      highest = std::max(highest, reading.value.value_or(0));
    }
  }
  return highest;
}

double PowerRun::predicted_watts(double drive_dbfs) const {
  return last_watts_ * std::pow(10, (drive_dbfs - last_drive_dbfs_) / 10);
}

double PowerRun::drive_for(double watts) const {
  return last_drive_dbfs_ + db_of_power_ratio(watts / last_watts_);
}

void PowerRun::stop_with(const std::string& code, const std::string& text) {
  cautions_.push_back({code, text, "", std::nullopt});
}

// The first tone is too faint to hurt anything; the one after it is predicted from it.
void PowerRun::begin(double frequency_hz) {
  frequency_hz_ = frequency_hz;
  session_.guard_watts(limits_.power_w);
  for (const double drive_dbfs : {Drive::kFaintest_dbfs, kStart_dbfs}) {
    const bool is_last = drive_dbfs == kStart_dbfs;
    if (last_watts_ > 0) refuse_above_limit(predicted_watts(drive_dbfs), "at -40 dBFS, predicted");
    session_.play({frequency_hz}, drive_dbfs, mask_of(settings_.driven));
    session_.settle(settling_s(frequency_hz));
    const Findings step =
        session_.measure_tone(session_.capture(std::max(0.2, 5.2 / frequency_hz)), {frequency_hz});
    refuse_above_limit(highest_watts(step), "at the first tone");
    const std::vector<std::string> heard = channels_with_tone(std::span(&step, 1));
    for (const std::string& channel : driven_channels()) {
      if (std::find(heard.begin(), heard.end(), channel) != heard.end()) {
        last_watts_ = highest_watts(step);
        last_drive_dbfs_ = drive_dbfs;
      } else if (is_last) {
        session_.silence();
        throw Error(ExitCode::kRefused,
                    fmt::format("power: {:.5g} Hz at {:g} dBFS does not come back in {}; check the "
                                "wiring, the speaker switch and the volume",
                                frequency_hz, drive_dbfs, channel));
      }
    }
  }
}

void PowerRun::refuse_above_limit(double watts, const char* when) {
  if (watts <= limits_.power_w && !session_.was_cut()) return;
  session_.silence();
  throw Error(
      ExitCode::kRefused,
      fmt::format(
          "power: {:.3g} W {}, above the limit of {:.3g} W, or the input clips: the drive "
          "was cut; turn the volume down, or use a range with a higher ratio, and start again",
          watts, when, limits_.power_w));
}

void PowerRun::guide_volume(Operator& person) {
  for (int reading = 0; reading < 600 && !progress_.is_cancelled(); ++reading) {
    const std::string text =
        volume_advice(limits_.power_w, drive_for(limits_.power_w),
                      fmt::format("{:.3g} W at {:g} dBFS", last_watts_, kStart_dbfs));
    if (person.is_done_turning(text)) {
      session_.forget_gain();  // a last turn may have come after the last reading
      return;
    }
    session_.settle(settling_s(frequency_hz_));
    const Findings step = session_.measure_tone(
        session_.capture(std::max(0.2, 5.2 / frequency_hz_)), {frequency_hz_});
    const double watts = highest_watts(step);
    if (watts > 0) last_watts_ = watts;
    // The hand owns the gain here: what it can do in an instant is cut, not warned of.
    refuse_above_limit(watts, "while the volume was set");
  }
}

bool PowerRun::is_past_all_thresholds(const Findings& step) const {
  if (settings_.thresholds_percent.empty()) return false;
  const double highest =
      *std::max_element(settings_.thresholds_percent.begin(), settings_.thresholds_percent.end());
  for (const std::string& channel : driven_channels()) {
    const auto thd_n = value_of(step, "thd_n", channel, Unit::kPercent);
    const auto watts = value_of(step, "level", channel, Unit::kWatt);
    // Noise and crossover distortion at low level are no limit of the output.
    if (!thd_n || !watts || *watts < 1 || *thd_n <= highest) return false;
  }
  return true;
}

// Where output networks or the load bear it for a while only, the step is as short as that asks.
double PowerRun::step_duration_s(double watts) const {
  const double asked_s = std::max(settings_.step_s, 5.2 / frequency_hz_);
  if (!session_.drive().is_dwelling({frequency_hz_}, watts)) return asked_s;
  const double left_s = session_.chain()->profile().dwell_s - overhead_s(session_, frequency_hz_);
  return std::clamp(left_s, kShortest_s, asked_s);
}

// False when it may not be played: the caution says why.
bool PowerRun::play_when_rested(double drive_dbfs) {
  const std::uint32_t mask = mask_of(settings_.driven);
  const double expected_w = predicted_watts(drive_dbfs);
  try {
    session_.rest_before({frequency_hz_}, drive_dbfs,
                         overhead_s(session_, frequency_hz_) + step_duration_s(expected_w),
                         progress_, 0.5, mask);
    session_.play({frequency_hz_}, drive_dbfs, mask);
  } catch (const Error& refusal) {
    if (refusal.code() != ExitCode::kRefused) throw;
    session_.silence();
    stop_with("over_limit", refusal.what());
    return false;
  }
  return true;
}

PowerRun::Outcome PowerRun::step(double drive_dbfs) {
  const double expected_w = predicted_watts(drive_dbfs);
  if (!play_when_rested(drive_dbfs)) return {false, true};
  session_.settle(settling_s(frequency_hz_));
  ToneAnalysis analysis;
  Findings step = session_.measure_tone(session_.capture(step_duration_s(expected_w)),
                                        {frequency_hz_}, &analysis);
  step.conditions.push_back({"drive_dbfs", drive_dbfs});
  const double watts = highest_watts(step);
  last_ended_s_ = step.ended_s;

  if (session_.was_cut()) {
    stop_with("over_limit",
              fmt::format("{:.3g} W were expected: {}", expected_w, session_.drive().cut_text()));
    return {false, true};
  }
  const bool input_clips =
      std::any_of(analysis.channels.begin(), analysis.channels.end(),
                  [](const ToneChannel& tone) { return tone.peaks.full_scale_runs > 0; });
  if (input_clips) {
    session_.silence();
    stop_with("input_clipped", fmt::format("the sound card's input clips at {:.3g} W: stopped; use "
                                           "a range with a higher ratio",
                                           watts));
    return {false, true};
  }
  for (const std::string& channel : driven_channels()) {
    const double channel_w = value_of(step, "level", channel, Unit::kWatt).value_or(0);
    if (expected_w > 0.001 && channel_w < expected_w / 1000) {
      session_.silence();
      stop_with("channel_lost", fmt::format("{} vanished at {:.3g} W: a protection relay, or a "
                                            "lead; stopped. Start again low once it is explained",
                                            channel, expected_w));
      return {false, true};
    }
  }
  const bool is_too_much = watts > 1.1 * limits_.power_w;
  if (is_too_much) {
    session_.silence();
    stop_with("over_limit", fmt::format("{:.3g} W where {:.3g} W were expected: the gain changed; "
                                        "the drive was cut",
                                        watts, expected_w));
  }
  const auto at = std::upper_bound(drives_dbfs_.begin(), drives_dbfs_.end(), drive_dbfs);
  const auto index = at - drives_dbfs_.begin();
  drives_dbfs_.insert(at, drive_dbfs);
  steps_.insert(steps_.begin() + index, std::move(step));
  if (watts > 0) {
    last_watts_ = watts;
    last_drive_dbfs_ = drive_dbfs;
  }
  return {true, is_too_much};
}

void PowerRun::climb() {
  double drive_dbfs = std::min(kHighestDrive_dbfs, drive_for(settings_.from_w));
  const double span_db = db_of_power_ratio(limits_.power_w / settings_.from_w);
  while (!progress_.is_cancelled()) {
    const double watts = predicted_watts(drive_dbfs);
    progress_.report(
        std::clamp(db_of_power_ratio(watts / settings_.from_w) / span_db * 0.8, 0.0, 0.8),
        fmt::format("{:.5g} Hz, {:.3g} W", frequency_hz_, watts));
    const Outcome outcome = step(drive_dbfs);
    if (outcome.stops || !outcome.is_kept) return;
    const auto index = static_cast<std::size_t>(
        std::find(drives_dbfs_.begin(), drives_dbfs_.end(), drive_dbfs) - drives_dbfs_.begin());
    const Findings& done = steps_[index];
    if (is_past_all_thresholds(done)) return;
    for (const std::string& channel : driven_channels()) {
      const double thd_n = value_of(done, "thd_n", channel, Unit::kPercent).value_or(0);
      const double channel_w = value_of(done, "level", channel, Unit::kWatt).value_or(0);
      if (channel_w > 1 && thd_n > limits_.ceiling_percent) {
        stop_with("distortion_ceiling",
                  fmt::format("{}: THD+N {:.3g} % at {:.3g} W, above the ceiling of {:.3g} %: "
                              "stopped",
                              channel, thd_n, channel_w, limits_.ceiling_percent));
        return;
      }
    }
    double next_dbfs = drive_dbfs + settings_.step_db;
    if (predicted_watts(next_dbfs) > limits_.power_w) next_dbfs = drive_for(limits_.power_w);
    next_dbfs = std::min(next_dbfs, kHighestDrive_dbfs);
    if (next_dbfs < drive_dbfs + kFinest_db) {
      const bool is_drive = drive_dbfs > kHighestDrive_dbfs - kFinest_db;
      stop_with(is_drive ? "drive_ran_out" : "power_limit",
                is_drive ? fmt::format("full drive reaches {:.3g} W only: turn the volume up",
                                       last_watts_)
                         : fmt::format("ended at the limit of {:.3g} W", limits_.power_w));
      return;
    }
    drive_dbfs = next_dbfs;
  }
  stop_with("stopped", fmt::format("stopped after {} levels", steps_.size()));
}

bool PowerRun::is_unsafe() const {
  return std::any_of(cautions_.begin(), cautions_.end(), [](const Caution& caution) {
    return caution.code == "over_limit" || caution.code == "channel_lost";
  });
}

void PowerRun::search() {
  if (is_unsafe()) return;
  int done = 0;
  for (const double percent : settings_.thresholds_percent) {
    for (const std::string& channel : driven_channels()) {
      for (int halving = 0; halving < 8 && !progress_.is_cancelled(); ++halving) {
        // The last rise through the threshold.
        std::size_t above = steps_.size();
        for (std::size_t i = steps_.size(); i-- > 1;) {
          const auto low = value_of(steps_[i - 1], "thd_n", channel, Unit::kPercent);
          const auto high = value_of(steps_[i], "thd_n", channel, Unit::kPercent);
          if (low && high && *low <= percent && *high > percent) {
            above = i;
            break;
          }
        }
        if (above == steps_.size()) break;
        const double low_dbfs = drives_dbfs_[above - 1];
        const double high_dbfs = drives_dbfs_[above];
        if (high_dbfs - low_dbfs <= kFinest_db) break;
        progress_.report(0.8 + 0.02 * std::min(9, done),
                         fmt::format("{:.5g} Hz, near {:g} %", frequency_hz_, percent));
        const Outcome outcome = step((low_dbfs + high_dbfs) / 2);
        if (outcome.stops || !outcome.is_kept) return;
      }
      ++done;
    }
  }
}

void PowerRun::append_extremes(Findings& findings) const {
  if (steps_.empty()) return;
  const Findings& top = steps_.back();
  for (const std::string& channel : driven_channels()) {
    append_taken(findings, "highest_output", find_reading(top, "level", channel, Unit::kWatt));
    for (const char* key : {"peak_positive", "peak_negative"}) {
      append_taken(findings, key, find_reading(top, key, channel, Unit::kVolt),
                   "at the highest output");
    }
  }
  const Reading* worst = nullptr;
  for (const Findings& step : steps_) {
    const Reading* balance = find_reading(step, "balance", "pair", Unit::kDb);
    if (balance == nullptr || !balance->value) continue;
    if (worst == nullptr || std::abs(*balance->value) >= std::abs(*worst->value)) worst = balance;
  }
  append_taken(findings, "balance", worst, "greatest over the levels");
  // What a step reported, each kind once for each channel.
  for (const Findings& step : steps_) {
    for (const Caution& caution : step.cautions) {
      if (caution.code == "short" || caution.code == "clipped") continue;
      const bool is_known = std::any_of(
          findings.cautions.begin(), findings.cautions.end(), [&](const Caution& known) {
            return known.code == caution.code && known.channel == caution.channel;
          });
      if (!is_known) findings.cautions.push_back(caution);
    }
  }
}

}  // namespace sinewright
