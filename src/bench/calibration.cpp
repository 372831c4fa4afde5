#include "bench/calibration.h"

#include <cmath>
#include <utility>

namespace sinewright {
namespace {

/// Whether one table, with one date and one meter, can tell the truth of both.
bool is_one_calibration(const ScaleCalibrations& a, const ScaleCalibrations& b) {
  // A drive that was lowered, so that the input would not clip, differs by the noise of a look.
  constexpr double kSameDrive_db = 0.01;
  return a.date == b.date && a.device == b.device && a.sample_rate_hz == b.sample_rate_hz &&
         a.frequency_hz == b.frequency_hz && a.is_through_unit == b.is_through_unit &&
         a.meter == b.meter && std::abs(a.drive_dbfs - b.drive_dbfs) <= kSameDrive_db;
}

}  // namespace

MergedCalibrations merged(const std::optional<ScaleCalibrations>& before, ScaleCalibrations found) {
  MergedCalibrations result{std::move(found), {}};
  if (!before) return result;
  for (std::size_t c = 0; c < 2; ++c) {
    if (result.calibrations.channels[c] || !before->channels[c]) continue;
    if (is_one_calibration(*before, result.calibrations)) {
      result.calibrations.channels[c] = before->channels[c];
    } else {
      result.lost_channel = c;
    }
  }
  return result;
}

}  // namespace sinewright
