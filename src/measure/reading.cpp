#include "measure/reading.h"

#include <fmt/format.h>

#include <algorithm>

#include "findings/error.h"
#include "measure/plateau_findings.h"

namespace sinewright {
namespace {

// What the window holds: the longest plateau that fills most of it, measured.
Findings read_window(const Session& session, const Capture& capture, PlanCache& plans) {
  const double fs = session.sample_rate().hz;
  const std::size_t channels = session.channels();
  std::vector<Findings> found;
  PlateauMeasurer measurer(session.context(), TakenAs::kAsFound, plans,
                           [&](Findings findings) { found.push_back(std::move(findings)); });
  // While a tone is played, a line near the mains is that tone.
  PlateauSettings settings;
  if (session.is_playing()) settings.hum_below_dbfs = -300;
  PlateauDetector detector(session.sample_rate(), static_cast<int>(channels), settings, measurer);
  detector.push(capture.frames);
  detector.finish();

  const double window_s = static_cast<double>(capture.frames.size() / channels) / fs;
  const double first_s = static_cast<double>(capture.first) / fs;
  const auto longest =
      std::max_element(found.begin(), found.end(), [](const Findings& a, const Findings& b) {
        return a.ended_s - a.started_s < b.ended_s - b.started_s;
      });
  Findings findings = session.begin_findings("unclassified");
  findings.started_s = first_s;
  findings.ended_s = first_s + window_s;
  constexpr double kLeastShare = 0.6;
  if (longest == found.end() || longest->ended_s - longest->started_s < kLeastShare * window_s) {
    append_caution(findings, "unsteady", "the signal did not hold still: no figures");
    return findings;
  }
  findings.measurement = longest->measurement;
  findings.started_s = first_s + longest->started_s;
  findings.ended_s = first_s + longest->ended_s;
  findings.readings = std::move(longest->readings);
  findings.harmonics = std::move(longest->harmonics);
  findings.curves = std::move(longest->curves);
  for (Caution& caution : longest->cautions) {
    if (caution.at_s) *caution.at_s += first_s;
    findings.cautions.push_back(std::move(caution));
  }
  return findings;
}

}  // namespace

void run_readings(Session& session, const ReadingSettings& settings, Progress& progress,
                  const std::function<void(const Findings&)>& show) {
  if (!(settings.duration_s >= 0.1 && settings.duration_s <= 60)) {
    throw Error(ExitCode::kUsage,
                fmt::format("duration {:.4g} s: a reading lasts 0.1 to 60 s", settings.duration_s));
  }
  ToneSettings tone_settings;
  tone_settings.band = session.settings().band;
  PlanCache plans(tone_settings);
  try {
    session.settle(session.is_playing() ? 0.1 + 6 / session.frequency_hz() : 0.1);
    for (int i = 0; (settings.count == 0 || i < settings.count) && !progress.is_cancelled(); ++i) {
      const Capture capture = session.capture(settings.duration_s);
      session.refuse_if_cut("measure");
      show(read_window(session, capture, plans));
    }
  } catch (const Stopped&) {
    // What was read has been shown.
  }
}

}  // namespace sinewright
