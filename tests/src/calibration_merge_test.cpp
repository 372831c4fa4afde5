// Calibrating one channel after the other: what stays, and what is lost.
#include <doctest/doctest.h>

#include "bench/calibration.h"

namespace sinewright {
namespace {

ScaleCalibrations of_channel(std::size_t channel, double full_scale_vrms) {
  ScaleCalibrations made;
  made.date = "2026-11-25";
  made.device = "a sound card";
  made.sample_rate_hz = 48000;
  made.frequency_hz = 325;
  made.drive_dbfs = -3;
  made.meter = {0.8, 3, 0.001};
  made.channels[channel] = ScaleCalibration{full_scale_vrms, 1, -3, 0};
  return made;
}

}  // namespace

TEST_CASE("merged: the other channel of the same day and meter stays") {
  const ScaleCalibrations left = of_channel(0, 2);
  const MergedCalibrations both = merged(left, of_channel(1, 2.1));
  CHECK_FALSE(both.lost_channel);
  CHECK(both.calibrations.channels[0] == left.channels[0]);
  REQUIRE(both.calibrations.channels[1]);
  CHECK(both.calibrations.channels[1]->full_scale_vrms == 2.1);
}

TEST_CASE("merged: what was read again wins, and nothing is lost") {
  const ScaleCalibrations newer = of_channel(0, 2.2);
  const MergedCalibrations result = merged(of_channel(0, 2), newer);
  CHECK(result.calibrations == newer);
  CHECK_FALSE(result.lost_channel);
  CHECK(merged(std::nullopt, newer).calibrations == newer);
}

TEST_CASE("merged: a channel that one table cannot state too is named") {
  const auto loses = [](void (*differ)(ScaleCalibrations&)) {
    ScaleCalibrations before = of_channel(1, 2);
    differ(before);
    const ScaleCalibrations found = of_channel(0, 2);
    const MergedCalibrations result = merged(before, found);
    CHECK(result.calibrations == found);
    return result.lost_channel == 1U;
  };
  CHECK(loses([](ScaleCalibrations& before) { before.date = "2026-11-24"; }));
  CHECK(loses([](ScaleCalibrations& before) { before.device = "another"; }));
  CHECK(loses([](ScaleCalibrations& before) { before.sample_rate_hz = 44100; }));
  CHECK(loses([](ScaleCalibrations& before) { before.frequency_hz = 400; }));
  CHECK(loses([](ScaleCalibrations& before) { before.drive_dbfs = -6; }));
  CHECK(loses([](ScaleCalibrations& before) { before.is_through_unit = true; }));
  CHECK(loses([](ScaleCalibrations& before) { before.meter.percent = 0.5; }));
}

}  // namespace sinewright
