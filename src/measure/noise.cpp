#include "measure/noise.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "findings/error.h"
#include "measure/append.h"
#include "measure/hum_pattern.h"
#include "measure/noise_levels.h"
#include "measure/tone_cautions.h"

namespace sinewright {
namespace {

// Noise over `duration_s`, begun anew when frames are lost, three times at the most. None when
// cancelled before there was enough of it.
std::optional<NoiseAnalysis> read_noise(Session& session, double duration_s, Progress& progress,
                                        const std::string& what, Findings& findings) {
  NoiseSettings settings;
  settings.band = session.settings().band;
  const double fs = session.sample_rate().hz;
  const double chunk_s = 0.1;
  for (int attempt = 0; attempt < 3; ++attempt) {
    NoiseAnalyzer analyzer(session.sample_rate(), static_cast<int>(session.channels()), settings);
    double done_s = 0;
    bool is_whole = true;
    while (done_s < duration_s && !progress.is_cancelled()) {
      progress.report(done_s / duration_s, what);
      const std::size_t gaps = session.stream().gaps().size();
      const Capture capture = session.capture(std::min(chunk_s, duration_s - done_s + 1 / fs));
      if (done_s == 0) findings.started_s = static_cast<double>(capture.first) / fs;
      is_whole = is_whole && session.stream().gaps().size() == gaps;
      if (!is_whole) break;
      analyzer.push(capture.frames);
      done_s += static_cast<double>(capture.frames.size() / session.channels()) / fs;
    }
    if (!is_whole) continue;
    findings.ended_s = findings.started_s + done_s;
    return analyzer.result();
  }
  throw Error(ExitCode::kDevice,
              session.stream().name() +
                  ": frames were lost in 3 tries; close other programs and try again");
}

double volts_of(const SnrReference& reference, const ReadingContext& context, std::size_t channel) {
  return reference.watts ? context.chain->volts_of_watts(*reference.watts, channel)
                         : reference.vrms;
}

// What the load leaves open of the volts that so many watts come to.
std::vector<Component> reference_budget(const SnrReference& reference,
                                        const ReadingContext& context, std::size_t channel) {
  if (!reference.watts) return {};
  std::vector<Component> budget = load_budget(*context.chain, channel);
  for (Component& component : budget) component.sensitivity = 0.5;
  return budget;
}

// The noise in volts and the reference carry the uncertainty; the noise's interval turned round.
void append_snr(Findings& findings, const std::string& key, const std::string& channel,
                const Level& noise, const ReadingContext& context, const SnrReference& reference) {
  const std::size_t index = channel_index(context, channel);
  const double reference_vrms = volts_of(reference, context, index);
  Findings levels;
  append_level(levels, "noise", channel, noise, context, false);
  const Reading* volts = find_reading(levels, "noise", channel, Unit::kVolt);
  const Reading* in_dbv = find_reading(levels, "noise", channel, Unit::kDbv);
  std::optional<double> snr;
  if (volts->value) snr = finite(db_of_amplitude_ratio(reference_vrms / *volts->value));
  Reading& reading = append_reading(findings, key, channel, snr, Unit::kDb);
  reading.limited_by = in_dbv->limited_by;
  reading.note = fmt::format("re {:.4g} V", reference_vrms);
  if (!in_dbv->note.empty()) reading.note += "; " + in_dbv->note;
  // Watts in a load that was not measured are nominal.
  if (reference.watts && !context.chain->has_calibrated_watts(index)) return;
  const std::vector<Component> of_reference = reference_budget(reference, context, index);
  if (in_dbv->uncertainty) {
    std::vector<Component> budget =
        volts_budget(*context.chain, index, noise.frequency_hz,
                     {own_level(noise).standard, noise.degrees_of_freedom}, context.residual.get());
    budget.insert(budget.end(), of_reference.begin(), of_reference.end());
    set_uncertainty(reading, combine(budget));
  }
  if (in_dbv->interval) {
    const double open = of_reference.empty() ? 0 : combine(of_reference).expanded;
    const double lowest_dbv = db_of_amplitude_ratio(reference_vrms * (1 - open));
    const double highest_dbv = db_of_amplitude_ratio(reference_vrms * (1 + open));
    reading.interval = Interval{lowest_dbv - in_dbv->interval->high,
                                std::min(-kNothing_db, highest_dbv - in_dbv->interval->low)};
  }
}

// Lines that stand above the noise, as a curve.
void append_lines(Findings& findings, const NoiseChannel& noise, const ReadingContext& context,
                  const std::string& channel) {
  const bool has_volts = context.chain.has_value();
  const Axis y{"level", has_volts ? "V" : "dBFS", has_volts};
  const Unit unit = has_volts ? Unit::kVolt : Unit::kDbfs;
  const auto point_of = [&](double frequency_hz, const Level& level) {
    Findings levels;
    append_level(levels, "line", channel, level, context, false);
    const Reading* reading = find_reading(levels, "line", channel, unit);
    CurvePoint point;
    point.x = frequency_hz;
    point.y = reading->value;
    point.uncertainty = reading->uncertainty;
    point.interval = reading->interval;
    point.limited_by = reading->limited_by;
    return point;
  };
  Curve hum{"hum_lines", channel, {"frequency", "Hz", true}, y, {}};
  for (const HumLine& line : noise.hum_lines) {
    if (!line.above_noise || !(line.rms > 0)) continue;
    hum.points.push_back(point_of(line.frequency_hz, hum_line_level(line, context, channel)));
  }
  if (!hum.points.empty()) findings.curves.push_back(std::move(hum));
  Curve lines{"lines", channel, {"frequency", "Hz", true}, y, {}};
  for (const OtherLine& line : noise.other_lines) {
    CurvePoint point = point_of(line.frequency_hz, {line.rms, line.frequency_hz, 0, {}, {}});
    // How far noise has moved it is not known.
    point.uncertainty.reset();
    lines.points.push_back(std::move(point));
  }
  std::sort(lines.points.begin(), lines.points.end(),
            [](const CurvePoint& a, const CurvePoint& b) { return a.x < b.x; });
  if (!lines.points.empty()) findings.curves.push_back(std::move(lines));
}

void append_mains(Findings& findings, const NoiseAnalysis& analysis, const ReadingContext& context,
                  const std::string& pair, const std::string& channel) {
  Reading& mains = append_reading(
      findings, "mains_frequency", pair,
      analysis.mains ? finite(analysis.mains->frequency_hz) : std::nullopt, Unit::kHertz);
  if (!analysis.mains) {
    mains.note = analysis.mains_search == MainsSearch::kTooShort
                     ? "too short to look for it"
                     : "no mains lines stand above the noise";
    return;
  }
  if (!is_calibrated(context, channel)) return;
  const double clock_hz = context.chain->profile().clock_ppm * 1e-6 * analysis.mains->frequency_hz;
  const std::vector<Component> budget = {
      type_a("repeatability", analysis.mains->deviation_hz, Repeatability{}.degrees_of_freedom),
      rectangular("clock of the sound card", clock_hz)};
  set_absolute_uncertainty(mains, combine(budget));
}

// None where no ratio is asked for.
std::optional<SnrReference> snr_reference(const NoiseRunSettings& settings,
                                          const Session& session) {
  if (!settings.relative_to_w && !settings.relative_to_vrms) return std::nullopt;
  if (!session.chain()) {
    throw Error(ExitCode::kUsage,
                "noise: a reference in watts or volts needs a bench profile; give --bench FILE");
  }
  SnrReference reference;
  if (settings.relative_to_vrms) {
    reference.vrms = *settings.relative_to_vrms;
  } else {
    reference.watts = settings.relative_to_w;
  }
  if (!(reference.watts.value_or(reference.vrms) > 0)) {
    throw Error(ExitCode::kUsage, "noise: the reference must be above 0");
  }
  return reference;
}

}  // namespace

void append_noise(Findings& findings, const NoiseAnalysis& analysis, const ReadingContext& context,
                  std::size_t first, SilentInput input) {
  for (std::size_t c = 0; c < analysis.channels.size(); ++c) {
    const NoiseChannel& noise = analysis.channels[c];
    const std::string& channel = context.channels[first + c];
    const NoiseLevels levels = noise_levels(noise, analysis.duration_s, context, channel, input);
    append_level(findings, "noise", channel, levels.noise, context, false);
    append_level(findings, "noise_a", channel, levels.noise_a, context, false);
    append_level(findings, "noise_468", channel, levels.noise_468, context, false);
    if (!noise.noise_468_quasi_peak) {
      for (Reading& reading : findings.readings) {
        if (reading.key == "noise_468" && reading.channel == channel) {
          const std::string rest = reading.note.empty() ? "" : "; " + reading.note;
          reading.note = "RMS detector: too short for the quasi-peak one" + rest;
        }
      }
    }
    Reading& offset =
        append_reading(findings, "dc_offset", channel, finite(noise.offset), Unit::kFullScale);
    if (is_calibrated(context, channel)) {
      set_absolute_uncertainty(offset, spread_only(levels.offset_deviation));
    }
    if (analysis.mains) {
      append_level(findings, "hum", channel, levels.hum, context, false);
      append_level(findings, "broadband", channel, levels.broadband, context, false);
    }
    append_lines(findings, noise, context, channel);
  }
  const std::string pair = context.channels.size() == 2 ? "pair" : context.channels[first];
  append_mains(findings, analysis, context, pair, context.channels[first]);
  append_no_loopback(findings, context);
}

void append_noise_snr(Findings& findings, const NoiseAnalysis& analysis,
                      const ReadingContext& context, const SnrReference& reference) {
  for (std::size_t c = 0; c < analysis.channels.size(); ++c) {
    const std::string& channel = context.channels[c];
    const NoiseLevels levels = noise_levels(analysis.channels[c], analysis.duration_s, context,
                                            channel, SilentInput::kOutput);
    append_snr(findings, "snr", channel, levels.noise, context, reference);
    append_snr(findings, "snr_a", channel, levels.noise_a, context, reference);
  }
}

std::vector<Findings> run_noise(Session& session, const NoiseRunSettings& settings,
                                Progress& progress, Operator& person) {
  if (!(settings.duration_s >= 0.5 && settings.duration_s <= 3600)) {
    throw Error(ExitCode::kUsage, fmt::format("noise: duration {:.4g} s: must be 0.5 to 3600 s",
                                              settings.duration_s));
  }
  const std::optional<SnrReference> reference = snr_reference(settings, session);
  session.silence();
  session.settle(0.2);

  std::vector<Findings> all;
  NoisePattern pattern;
  const auto take = [&](const std::string& state, SilentInput input) {
    Findings findings = session.begin_findings("noise");
    findings.conditions.push_back({"state", state});
    std::optional<NoiseAnalysis> analysis =
        read_noise(session, settings.duration_s, progress, state, findings);
    if (!analysis) return analysis;
    append_noise(findings, *analysis, session.context(), 0, input);
    if (reference && input == SilentInput::kOutput) {
      append_noise_snr(findings, *analysis, session.context(), *reference);
    }
    all.push_back(std::move(findings));
    return analysis;
  };
  const auto needs_lower_range = [&](const NoiseAnalysis& analysis) {
    const bool is_buried =
        std::any_of(analysis.channels.begin(), analysis.channels.end(),
                    [](const NoiseChannel& noise) { return dbfs_of_rms(noise.noise_rms) < -95; });
    return is_buried && session.chain() &&
           session.chain()->range().name != session.chain()->profile().ranges.back().name;
  };

  const std::optional<NoiseAnalysis> connected = take("as connected", SilentInput::kOutput);
  if (!connected) {
    throw Error(ExitCode::kRefused,
                fmt::format("noise: stopped before {} s were read", kShortestNoiseS));
  }
  pattern.connected = *connected;
  if (needs_lower_range(pattern.connected)) {
    append_caution(
        all.back(), "range_too_high",
        fmt::format("below -95 dBFS on range {}: what is read may be the sound card; "
                    "use range {}",
                    session.chain()->range().name, session.chain()->profile().ranges.back().name));
  }
  try {
    if (settings.reads_shorted && !progress.is_cancelled()) {
      if (person.confirms("Short the input of the unit (or plug in the shorting plug), leave the "
                          "rest.")) {
        pattern.shorted = take("input shorted", SilentInput::kNone);
        static_cast<void>(person.confirms("Remove the short from the input."));
      }
    }
    if (settings.reads_off && !progress.is_cancelled()) {
      if (person.confirms("Switch the unit off, leave it connected, and wait until its supply has "
                          "run down.")) {
        pattern.off = take("off", SilentInput::kNone);
        static_cast<void>(person.confirms("Switch the unit on again."));
      }
    }
  } catch (const Error& failure) {
    if (failure.code() != ExitCode::kDevice) throw;
    append_caution(all.front(), kDeviceFailed, failure.what());
  }
  if (session.chain()) {
    // At the speaker terminals; an ear at the speaker hears the first hum at some millivolts.
    constexpr double kSound_v = 2e-3;  // common practice, no source
    for (std::size_t c = 0; c < session.channels(); ++c) {
      pattern.sound_rms.push_back(kSound_v / session.chain()->volts_of_rms(1, c));
    }
  }
  for (const std::string& text : explain_hum(pattern, session.context().channels)) {
    append_caution(all.front(), "pattern", text);
  }
  return all;
}

}  // namespace sinewright
