#include "measure/loopback_plan.h"

#include <algorithm>
#include <array>

namespace sinewright {
namespace {

/// Below this a range does not take the input converter's distortion far enough down.
constexpr double kLeastAttenuation_db = 12;
constexpr std::array kUsual_hz = {20.,   50.,    100.,   315.,   997.,   2000.,
                                  5000., 10000., 15000., 20000., 30000., 60000.};
/// Closer to the upper end a usual frequency tells nothing more.
constexpr double kApart = 1.02;

std::vector<double> within_band(const std::vector<double>& all_hz, double highest_hz) {
  std::vector<double> frequencies_hz;
  for (const double frequency_hz : all_hz) {
    if (frequency_hz <= highest_hz) frequencies_hz.push_back(frequency_hz);
  }
  return frequencies_hz;
}

}  // namespace

std::vector<double> loopback_frequencies_hz(const LoopbackSettings& settings, SampleRate fs) {
  const double highest_hz = 0.45 * fs.hz;
  if (!settings.frequencies_hz.empty()) return within_band(settings.frequencies_hz, highest_hz);
  std::vector<double> frequencies_hz =
      within_band({kUsual_hz.begin(), kUsual_hz.end()}, highest_hz / kApart);
  frequencies_hz.push_back(highest_hz);
  return frequencies_hz;
}

std::vector<double> divider_frequencies_hz(const LoopbackSettings& settings, SampleRate fs) {
  return within_band(settings.divider_frequencies_hz, 0.225 * fs.hz);
}

double loopback_settling_s(double frequency_hz) { return 0.05 + std::min(0.6, 12 / frequency_hz); }

bool has_far_range(const Session& session) {
  return session.chain() &&
         db_of_amplitude_ratio(session.chain()->range().ratio) >= kLeastAttenuation_db;
}

double loopback_duration_s(const LoopbackSettings& settings, SampleRate fs) {
  constexpr double kDelay_s = 0.05;  // of a usual sound card, there and back, each step
  constexpr double kBeside_s = 7;    // the climb, the first tone again, silences
  const auto steps_s = [&](const std::vector<double>& frequencies_hz, std::size_t drives,
                           double step_s) {
    double sum_s = 0;
    for (const double frequency_hz : frequencies_hz) {
      sum_s +=
          static_cast<double>(drives) * (step_s + loopback_settling_s(frequency_hz) + kDelay_s);
    }
    return sum_s;
  };
  const double plain_s =
      kBeside_s + settings.silent_s * (settings.reads_terminated ? 2 : 1) +
      steps_s(loopback_frequencies_hz(settings, fs), settings.drives_dbfs.size(), settings.step_s);
  if (!settings.reads_through_divider) return plain_s;
  return plain_s + 2 +
         steps_s(divider_frequencies_hz(settings, fs), settings.divider_drives_dbfs.size(),
                 settings.divider_step_s);
}

}  // namespace sinewright
