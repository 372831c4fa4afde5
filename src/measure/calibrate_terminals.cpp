// Calibrating at the amplifier's terminals: from a whisper up to half a watt or so.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"
#include "measure/calibrate_tone.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

constexpr double kVolume_dbfs = -40;  // while the volume is set
constexpr double kStep_db = 6;
constexpr double kLook_s = 0.3;
constexpr double kGuard_w = 1;

/// The unit under the tone: what the louder channel's load takes.
class UnitDrive {
 public:
  UnitDrive(Session& session, const char* step, const CalibrationTone& tone)
      : session_(session), step_(step), tone_(tone) {}

  void play(double drive_dbfs) {
    session_.play({tone_.frequency_hz}, drive_dbfs);
    drive_dbfs_ = drive_dbfs;
  }

  /// Watts now; refuses what the guard has cut, and a clipping input.
  double look() {
    session_.settle(kLook_s);
    const SteadyLevel level = read_level(session_, tone_.frequency_hz, kLook_s);
    if (session_.was_cut() || level.clips) {
      refuse_step(step_,
                  "the load came to more than 1 W, or the input clipped: the tone was cut; "
                  "turn the volume to its minimum, or use a range with a higher ratio, and "
                  "start again");
    }
    const Chain& chain = *session_.chain();
    watts_ = 0;
    for (std::size_t c = 0; c < session_.channels(); ++c) {
      const double volts = chain.volts_of_rms(level.fundamental_rms[c], c);
      watts_ = std::max(watts_, chain.watts_of_volts(volts, c));
    }
    return watts_;
  }

  [[nodiscard]] double watts() const { return watts_; }
  [[nodiscard]] double drive_dbfs() const { return drive_dbfs_; }
  /// The drive that will put `watts` into the load, predicted from the last look.
  [[nodiscard]] double drive_for(double watts) const {
    return drive_dbfs_ + db_of_power_ratio(watts / watts_);
  }

 private:
  Session& session_;
  const char* step_;
  CalibrationTone tone_;
  double drive_dbfs_ = Drive::kFaintest_dbfs;
  double watts_ = 0;
};

std::string advice(const UnitDrive& unit, double watts) {
  if (!(unit.watts() > 0)) return "turn the volume up a little: nothing comes back yet";
  return volume_advice(watts, unit.drive_for(watts),
                       fmt::format("{:.3g} W at {:g} dBFS", unit.watts(), unit.drive_dbfs()));
}

}  // namespace

double drive_unit_to(Session& session, const char* step, const CalibrationTone& tone, double watts,
                     Operator& person, Progress& progress) {
  session.guard_watts(kGuard_w, false);
  UnitDrive unit(session, step, tone);
  session.forget_gain();  // it has just been wired
  unit.play(Drive::kFaintest_dbfs);
  static_cast<void>(unit.look());
  unit.play(kVolume_dbfs);
  for (int looks = 0; looks < 600; ++looks) {
    check_cancelled(progress, step);
    static_cast<void>(unit.look());
    if (person.is_done_turning(advice(unit, watts))) break;
  }
  session.forget_gain();  // a last turn may have come after the last look
  // Only now: with the volume at its minimum nothing comes back.
  static_cast<void>(check_channels(session, step, tone.frequency_hz, kVolume_dbfs));
  unit.play(kVolume_dbfs);
  static_cast<void>(unit.look());
  const double end_dbfs = std::min(tone.drive_dbfs, unit.drive_for(watts));
  while (unit.drive_dbfs() < end_dbfs) {
    check_cancelled(progress, step);
    const double expected_w = unit.watts();
    const double next_dbfs =
        std::min({unit.drive_dbfs() + kStep_db, unit.drive_for(watts), end_dbfs});
    const double rise = std::pow(10, (next_dbfs - unit.drive_dbfs()) / 10);
    if (next_dbfs <= unit.drive_dbfs() + 0.01) break;
    unit.play(next_dbfs);
    const double found = unit.look() / (expected_w * rise);
    if (found > 1.3 || found < 0.7) {
      refuse_step(step,
                  "the level does not follow the drive: a limiter, automatic gain or a hand "
                  "on the volume; the tone was cut");
    }
    progress.report(0.3, fmt::format("{:.3g} W", unit.watts()));
  }
  if (unit.drive_dbfs() > end_dbfs) {
    unit.play(end_dbfs);
    static_cast<void>(unit.look());
  }
  if (unit.watts() < watts / 10) {
    refuse_step(step, fmt::format("only {:.3g} W at {:.1f} dBFS: a meter reads too little of that; "
                                  "turn the volume up further when asked",
                                  unit.watts(), unit.drive_dbfs()));
  }
  return unit.drive_dbfs();
}

}  // namespace sinewright
