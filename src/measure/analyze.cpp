#include "measure/analyze.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <condition_variable>
#include <filesystem>
#include <map>
#include <mutex>
#include <thread>

#include "device/recording.h"
#include "dsp/plateau.h"
#include "findings/error.h"
#include "measure/plateau_findings.h"
#include "measure/power.h"
#include "measure/response.h"
#include "measure/steps.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kChunkFrames = 8192;
constexpr double kLargest = 1e6;  // 120 dB above full scale: no recording, but a damaged file
constexpr std::size_t kFewestSteps = 4;  // that make a stepped measurement

bool is_recording_name(const fs::path& path) {
  constexpr std::array<const char*, 15> kKnown = {".wav",  ".wave", ".flac", ".aif", ".aiff",
                                                  ".aifc", ".w64",  ".rf64", ".caf", ".au",
                                                  ".snd",  ".ogg",  ".oga",  ".mp3", ".opus"};
  std::string extension = path.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return std::find(kKnown.begin(), kKnown.end(), extension) != kKnown.end();
}

bool is_sound_frame(const double* frame, std::size_t channels) {
  return std::all_of(frame, frame + channels, [](double x) { return std::abs(x) <= kLargest; });
}

// Passes frames to the detector, leaving out those that are not finite.
class FiniteFeed {
 public:
  FiniteFeed(PlateauDetector& detector, std::size_t channels)
      : detector_(detector), channels_(channels) {}

  void push(std::span<const double> frames) {
    int has_bad = 0;  // an integer, so that the loop vectorises
    for (const double x : frames) has_bad |= static_cast<int>(!(std::abs(x) <= kLargest));
    if (has_bad == 0 && bad_run_ == 0) {
      detector_.push(frames);
      position_ += static_cast<std::int64_t>(frames.size() / channels_);
      return;
    }
    for (std::size_t i = 0; i < frames.size(); i += channels_) {
      const std::span<const double> frame = frames.subspan(i, channels_);
      if (is_sound_frame(frame.data(), channels_)) {
        if (bad_run_ > 0) detector_.finish(bad_run_);
        bad_run_ = 0;
        detector_.push(frame);
      } else {
        if (bad_ == 0) first_bad_ = position_;
        ++bad_;
        ++bad_run_;
      }
      ++position_;
    }
  }

  [[nodiscard]] std::int64_t bad() const { return bad_; }
  [[nodiscard]] std::int64_t first_bad() const { return first_bad_; }
  [[nodiscard]] std::int64_t frames() const { return position_; }

 private:
  PlateauDetector& detector_;
  std::size_t channels_;
  std::int64_t position_ = 0;
  std::int64_t bad_run_ = 0;
  std::int64_t bad_ = 0;
  std::int64_t first_bad_ = 0;
};

double tone_frequency(const Findings& findings) {
  for (const Reading& reading : findings.readings) {
    if (reading.key == "frequency" && reading.value) return *reading.value;
  }
  return 0;
}

double tone_level_db(const Findings& findings) {
  double level = -1e9;
  for (const Reading& reading : findings.readings) {
    if (reading.key == "fundamental" && reading.unit == Unit::kDbfs && reading.value) {
      level = std::max(level, *reading.value);
    }
  }
  return level;
}

// The longest runs of tones that step in frequency, or in level at one frequency.
void append_summary(RecordingFindings& result, const AnalyzeSettings& settings,
                    const ReadingContext& context) {
  std::vector<Findings> tones;
  for (const Findings& findings : result.findings) {
    if (findings.measurement == "tone" && tone_frequency(findings) > 0) tones.push_back(findings);
  }
  const auto is_same_frequency = [](const Findings& a, const Findings& b) {
    return std::abs(tone_frequency(a) / tone_frequency(b) - 1) < 1e-3;
  };
  const auto begin_summary = [&](const char* measurement, std::span<const Findings> steps) {
    Findings summary;
    summary.measurement = measurement;
    summary.started_s = steps.front().started_s;
    summary.ended_s = steps.back().ended_s;
    summary.conditions = context_conditions(context);
    return summary;
  };
  for (std::size_t begin = 0; begin < tones.size();) {
    std::size_t rising = begin + 1;
    while (rising < tones.size() &&
           tone_frequency(tones[rising]) > 1.01 * tone_frequency(tones[rising - 1])) {
      ++rising;
    }
    std::size_t level = begin + 1;
    while (level < tones.size() && is_same_frequency(tones[level], tones[begin]) &&
           std::abs(tone_level_db(tones[level]) - tone_level_db(tones[level - 1])) > 0.05) {
      ++level;
    }
    if (rising - begin >= kFewestSteps) {
      const auto steps = std::span(tones).subspan(begin, rising - begin);
      ResponseSettings response;
      response.flat_from_hz = settings.band.low_hz;
      response.flat_to_hz = std::min(settings.band.high_hz, result.sample_rate_hz / 2);
      Findings summary = begin_summary("response", steps);
      append_response(summary, steps, response, context);
      result.summary.push_back(std::move(summary));
      begin = rising;
    } else if (level - begin >= kFewestSteps) {
      const auto steps = std::span(tones).subspan(begin, level - begin);
      Findings summary = begin_summary("power", steps);
      summary.conditions.push_back({"frequency_hz", tone_frequency(steps.front())});
      append_power(summary, steps, settings.thresholds_percent);
      result.summary.push_back(std::move(summary));
      begin = level;
    } else {
      ++begin;
    }
  }
}

ToneSettings tone_settings_of(const AnalyzeSettings& settings) {
  ToneSettings tone_settings;
  tone_settings.band = settings.band;
  return tone_settings;
}

}  // namespace

std::vector<std::string> find_recordings(const std::vector<std::string>& paths) {
  std::vector<std::string> found;
  for (const std::string& path : paths) {
    std::error_code error;
    if (!fs::is_directory(path, error)) {
      found.push_back(path);
      continue;
    }
    std::vector<std::string> within;
    fs::recursive_directory_iterator folder(path, error);
    if (error) {
      throw Error(ExitCode::kInput,
                  path + ": cannot be read (" + error.message() + "); check its permissions");
    }
    for (; folder != fs::recursive_directory_iterator(); folder.increment(error)) {
      if (error) break;
      std::error_code unreadable;
      if (folder->is_regular_file(unreadable) && is_recording_name(folder->path())) {
        within.push_back(folder->path().string());
      }
    }
    if (within.empty()) {
      throw Error(ExitCode::kInput, path +
                                        ": no recordings in this folder; name a file, or a "
                                        "folder with .wav, .flac, .aiff or the like");
    }
    std::sort(within.begin(), within.end());
    found.insert(found.end(), within.begin(), within.end());
  }
  return found;
}

void analyze_source(Source& source, std::optional<int> bits, const AnalyzeSettings& settings,
                    PlanCache& plans, RecordingFindings& result) {
  const auto channels = static_cast<std::size_t>(source.channels());
  ReadingContext context;
  context.channels = channel_names(source.channels());
  context.chain = settings.chain;
  context.band = settings.band;
  context.sample_rate_hz = source.sample_rate().hz;
  context.bits = bits;
  context.residual = residual_of(settings.chain);
  result.sample_rate_hz = context.sample_rate_hz;
  result.channels = source.channels();

  PlateauMeasurer measurer(context, settings.taken_as, plans, [&](Findings findings) {
    findings.conditions.insert(findings.conditions.end(), settings.conditions.begin(),
                               settings.conditions.end());
    result.findings.push_back(std::move(findings));
  });
  PlateauSettings plateau_settings;
  if (settings.taken_as == TakenAs::kTone) plateau_settings.hum_below_dbfs = -300;
  PlateauDetector detector(source.sample_rate(), source.channels(), plateau_settings, measurer);
  FiniteFeed feed(detector, channels);
  std::vector<double> frames(kChunkFrames * channels);
  while (const std::size_t count = source.read(frames)) {
    feed.push(std::span(frames).first(count * channels));
  }
  detector.finish();
  result.duration_s = static_cast<double>(feed.frames()) / context.sample_rate_hz;
  if (feed.bad() > 0) {
    result.cautions.push_back(
        {"not_finite",
         fmt::format("{} frames hold NaN, infinity or values beyond all measure: left out",
                     feed.bad()),
         "", static_cast<double>(feed.first_bad()) / context.sample_rate_hz});
  }
  append_summary(result, settings, context);
}

RecordingFindings analyze_recording(const std::string& path, const AnalyzeSettings& settings) {
  PlanCache plans(tone_settings_of(settings));
  return analyze_recording(path, settings, plans);
}

RecordingFindings analyze_recording(const std::string& path, const AnalyzeSettings& settings,
                                    PlanCache& plans) {
  RecordingFindings result;
  result.path = path;
  try {
    Recording recording(path);
    std::optional<int> bits;
    if (!recording.is_float()) bits = recording.bits();
    analyze_source(recording, bits, settings, plans, result);
    if (recording.is_truncated()) {
      result.cautions.push_back({"truncated",
                                 "the header promises more than the file holds: it was cut short",
                                 "", result.duration_s});
    }
    if (result.findings.empty()) {
      result.cautions.push_back(
          {"unclassified",
           fmt::format("nothing in its {:.3f} s holds still long enough to be measured",
                       result.duration_s),
           "", std::nullopt});
    }
  } catch (const std::exception& failure) {
    result.error = failure.what();
  }
  return result;
}

void analyze_all(const std::vector<std::string>& paths, const AnalyzeSettings& settings,
                 Progress& progress, const std::function<void(const RecordingFindings&)>& show) {
  const auto cores = std::max(1U, std::thread::hardware_concurrency());
  const std::size_t jobs =
      std::min(paths.size(), settings.jobs > 0 ? static_cast<std::size_t>(settings.jobs) : cores);
  PlanCache plans(tone_settings_of(settings));
  std::atomic<std::size_t> next = 0;
  std::atomic<bool> stops = false;
  std::mutex mutex;
  std::condition_variable changed;
  std::map<std::size_t, RecordingFindings> finished;
  std::size_t shown = 0;
  std::size_t working = jobs;

  const auto work = [&] {
    for (std::size_t i = next++; i < paths.size() && !stops; i = next++) {
      // One far ahead of what has been shown waits, so that memory stays bounded.
      {
        std::unique_lock lock(mutex);
        changed.wait(lock, [&] { return i < shown + 4 * jobs || stops; });
      }
      if (stops) break;
      RecordingFindings result = analyze_recording(paths[i], settings, plans);
      const std::lock_guard lock(mutex);
      finished.emplace(i, std::move(result));
      changed.notify_all();
    }
    const std::lock_guard lock(mutex);
    --working;
    changed.notify_all();
  };
  std::vector<std::jthread> threads;
  for (std::size_t i = 0; i < jobs; ++i) threads.emplace_back(work);

  // An exception from `show` (a full disk, a closed pipe) must not leave threads waiting.
  const auto stop_all = [&] {
    stops = true;
    const std::lock_guard lock(mutex);
    changed.notify_all();
  };
  try {
    while (shown < paths.size()) {
      progress.report(static_cast<double>(shown) / static_cast<double>(paths.size()), paths[shown]);
      std::unique_lock lock(mutex);
      changed.wait_for(lock, std::chrono::milliseconds(100),
                       [&] { return finished.count(shown) > 0 || working == 0; });
      if (progress.is_cancelled()) stops = true;
      const auto ready = finished.find(shown);
      if (ready == finished.end()) {
        if (working == 0) break;
        if (stops) changed.notify_all();
        continue;
      }
      const RecordingFindings result = std::move(ready->second);
      finished.erase(ready);
      ++shown;
      changed.notify_all();
      lock.unlock();
      show(result);
    }
  } catch (...) {
    stop_all();
    throw;
  }
  stop_all();
}

}  // namespace sinewright
