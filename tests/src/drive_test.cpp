#include "measure/drive.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "bench_run.h"
#include "looped_bench.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr std::uint32_t kBoth = ~0U;

/// A drive of a unit that gives `full_w` at 0 dBFS.
struct DrivenUnit {
  explicit DrivenUnit(double watts, Profile profile = looped_profile())
      : drive({48000}, 2, Chain(std::move(profile), "")), full_w(watts) {}

  /// Plays out and shows `seconds` of it, both channels alike, as watts of a sine.
  void run(double seconds) {
    std::vector<double> frames(1920);
    for (int block = 0; block < static_cast<int>(std::lround(seconds / 0.02)); ++block) {
      drive.signal()->fill(frames, 2);
      const double rise = std::sqrt(full_w / 200);
      for (double& x : frames) x *= rise;
      drive.observe(frames, true);
    }
  }

  Drive drive;
  double full_w;
};

TEST_CASE("with an unknown gain a climb starts faintly and goes up by 20 dB at the most") {
  DrivenUnit unit(5);
  CHECK(unit.drive.next_level({997}, -10, kBoth) == -60);
  CHECK(code_of([&] { unit.drive.play({997}, -10, kBoth); }) == ExitCode::kRefused);
  CHECK_FALSE(unit.drive.is_playing());
  unit.drive.play({997}, -60, kBoth);
  unit.run(0.1);
  CHECK(within(unit.drive.next_level({997}, -10, kBoth), -40, 1e-9));
  unit.drive.play({997}, -40, kBoth);
  unit.run(0.1);
  CHECK(within(unit.drive.next_level({997}, -10, kBoth), -20, 1e-9));
  // An octave away nothing is known, nor of a channel that was not driven.
  CHECK(unit.drive.next_level({2100}, -10, kBoth) == -60);
  CHECK(within(unit.drive.next_level({1900}, -10, kBoth), -20, 1e-9));
  unit.drive.play({997}, -60, 1);
  unit.run(0.1);
  CHECK(unit.drive.next_level({997}, -55, 3) == -60);
  // Nor after a silence in which a hand may have turned the volume.
  unit.drive.silence();
  unit.run(2.9);
  CHECK(unit.drive.next_level({997}, -55, 1) == -55);
  unit.run(0.3);
  CHECK(unit.drive.next_level({997}, -55, 1) == -60);
}

TEST_CASE("a faint block after a long silence does not bring the gain of before back") {
  DrivenUnit unit(5);
  for (const double dbfs : {-60.0, -40.0}) {
    unit.drive.play({997}, dbfs, kBoth);
    unit.run(0.1);
  }
  unit.drive.silence();
  unit.run(3.2);
  unit.drive.play({997}, -60, kBoth);
  unit.run(0.02);  // less than a window: nothing is observed yet
  CHECK(unit.drive.next_level({997}, -30, kBoth) == -60);
  unit.run(0.1);
  CHECK(within(unit.drive.next_level({997}, -30, kBoth), -40, 1e-9));
}

TEST_CASE("a hand at the bench: the gain is forgotten") {
  DrivenUnit unit(5);
  unit.drive.play({997}, -60, kBoth);
  unit.run(0.1);
  CHECK(unit.drive.next_level({997}, -50, kBoth) == -50);
  unit.drive.forget_gain();
  CHECK(unit.drive.next_level({997}, -50, kBoth) == -60);
  CHECK_FALSE(unit.drive.predicted_watts({997}, -50, kBoth));
}

TEST_CASE("with a single input, what one output gave says nothing of the other") {
  Drive drive({48000}, 1, Chain(looped_profile(), ""));
  drive.play({997}, -60, 1);
  for (int block = 0; block < 6; ++block) {
    std::vector<double> frames(960, 1e-4);
    drive.observe(frames, true);
  }
  CHECK(drive.next_level({997}, -50, 1) == -50);
  CHECK(drive.next_level({997}, -50, 2) == -60);
  CHECK(drive.next_level({997}, -50, 3) == -60);
}

TEST_CASE("a level that would come to more than the limit is refused before it is played") {
  DrivenUnit unit(1000);
  unit.run(0.1);  // silence: the floor
  for (const double dbfs : {-60.0, -40.0, -30.0}) {
    unit.drive.play({997}, dbfs, kBoth);
    unit.run(0.2);  // two windows, the first with the ramp
  }
  unit.drive.limit_watts(10);
  CHECK(within(*unit.drive.predicted_watts({997}, -20, kBoth), 10, 0.05));
  CHECK(unit.drive.next_level({997}, -20.2, kBoth) == -20.2);
  CHECK(code_of([&] { (void)unit.drive.next_level({997}, -19, kBoth); }) == ExitCode::kRefused);
  CHECK(code_of([&] { unit.drive.play({997}, -19, kBoth); }) == ExitCode::kRefused);
  CHECK(unit.drive.level_dbfs() == -30);
  // Nobody raises the limit above the profile's.
  unit.drive.limit_watts(1e9);
  CHECK(unit.drive.limit_w() == 90);
}

TEST_CASE("too many watts cut with the block that shows them, and nothing plays until a new run") {
  DrivenUnit unit(1000);
  unit.drive.play({997}, -60, kBoth);
  unit.run(0.1);
  unit.drive.limit_watts(1);
  unit.full_w = 1.2e6;
  unit.run(0.02);
  CHECK(unit.drive.cut() == Cut::kTooMuch);
  CHECK_FALSE(unit.drive.is_playing());
  CHECK(unit.drive.cut_text().find("--confirmed") != std::string::npos);
  CHECK(code_of([&] { unit.drive.play({997}, -60, kBoth); }) == ExitCode::kRefused);
  unit.drive.limit_watts(1);
  CHECK(unit.drive.cut() == Cut::kNone);
}

TEST_CASE("an input that clips cuts, for it hides the rest") {
  DrivenUnit unit(10);
  unit.drive.play({997}, -60, kBoth);
  std::vector<double> frames(1920, 0.0);
  frames[100] = frames[102] = 1;  // two samples only: the peak of a sine that just fits
  unit.drive.observe(frames, false);
  CHECK(unit.drive.cut() == Cut::kNone);
  frames[104] = 1;
  unit.drive.observe(frames, false);
  CHECK(unit.drive.cut() == Cut::kInputClips);
}

TEST_CASE("a load that bears its rating for a time is cut when that is over") {
  Profile profile = looped_profile(90);
  profile.load.rated_w = 90;
  profile.load.rated_s = 2;
  profile.load.continuous_w = 20;
  DrivenUnit unit(80, profile);
  for (const double dbfs : {-60.0, -40.0, -20.0, -0.1}) {
    unit.drive.play({997}, dbfs, kBoth);
    unit.run(0.1);
  }
  CHECK(unit.drive.allowed_s() < 3);
  CHECK(unit.drive.allowed_s() > 2);
  CHECK(unit.drive.rest_s({997}, 80, 1.5) == 0);
  unit.run(2);
  CHECK(unit.drive.cut() == Cut::kNone);
  CHECK(unit.drive.rest_s({997}, 80, 1.5) > 0);
  unit.run(0.5);
  CHECK(unit.drive.cut() == Cut::kLoadHot);
}

TEST_CASE("full power above 10 kHz is cut after the dwell, a little power is not") {
  for (const double frequency_hz : {9000.0, 15000.0}) {
    for (const double full_w : {0.9, 20.0, 30.0}) {
      CAPTURE(frequency_hz);
      CAPTURE(full_w);
      DrivenUnit unit(full_w);  // a quarter of the limit: 22.5 W
      for (const double dbfs : {-60.0, -40.0, -20.0, -0.05}) {
        unit.drive.play({frequency_hz}, dbfs, kBoth);
        unit.run(0.1);
      }
      unit.run(0.7);
      CHECK(unit.drive.cut() == Cut::kNone);
      unit.run(0.4);
      const bool burns = frequency_hz > 10000 && full_w > 22.5;
      CHECK((unit.drive.cut() == Cut::kDwell) == burns);
      if (!burns) continue;
      // It needs two seconds of silence to be as new.
      CHECK(within(unit.drive.rest_s({frequency_hz}, full_w, 0.9), 2, 0.2));
      CHECK(std::isinf(unit.drive.rest_s({frequency_hz}, full_w, 1.1)));
    }
  }
}

TEST_CASE("wired without a unit, volts are no watts, and the samples are guarded") {
  DrivenUnit unit(200);
  unit.drive.limit_rms(0.5);
  CHECK(unit.drive.next_level({997}, -6, kBoth) == -6);
  unit.drive.play({997}, -6, kBoth);
  unit.run(0.1);
  CHECK(unit.drive.cut() == Cut::kNone);
  unit.full_w = 800;
  unit.run(0.1);
  CHECK(unit.drive.cut() == Cut::kTooMuch);
}

}  // namespace
}  // namespace sinewright
