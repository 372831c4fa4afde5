#include "measure/bench_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <limits>

#include "bench/budget.h"
#include "findings/error.h"
#include "measure/calibrate_tone.h"

namespace sinewright {
namespace {

constexpr double kDbOfRelative = 8.685889638065037;  // 20 / ln 10
// Without a calibrated output only gross errors can be told: parts as marked, a wrong plug.
constexpr double kNominal_db = 2;
constexpr double kWhisper_dbfs = -40;
constexpr double kStrange_db = 6;
constexpr double kMany = 1e9;  // degrees of freedom

/// Days from the date in `text`, "2026-11-25", to now; none when it is no date.
std::optional<double> days_since(const std::string& text) {
  int year = 0;
  unsigned month = 0;
  unsigned day = 0;
  if (std::sscanf(text.c_str(), "%d-%u-%u", &year, &month, &day) != 3) return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year(year), std::chrono::month(month),
                                         std::chrono::day(day)};
  if (!date.ok()) return std::nullopt;
  const auto now = std::chrono::system_clock::now();
  return std::chrono::duration<double, std::ratio<86400>>(now - std::chrono::sys_days(date))
      .count();
}

struct ChannelLevel {
  double volts;
  Repeatability repeatability;
};

/// What should come back, why, and how well that is known; no budget: nominal.
struct Expected {
  double volts;
  std::vector<Component> budget;  ///< of the comparison, relative
  std::string note;
};

void append_with_uncertainty(Findings& findings, const std::string& key, const std::string& channel,
                             double value, Unit unit, std::span<const Component> relative,
                             double unit_per_relative) {
  append_reading(findings, key, channel, value, unit);
  if (relative.empty()) return;
  const Uncertainty u = combine(relative);
  findings.readings.back().uncertainty = u.expanded * unit_per_relative;
  findings.readings.back().k = u.k;
}

class Check {
 public:
  Check(Session& session, const BenchCheckSettings& settings, Operator& person, Progress& progress)
      : session_(session),
        settings_(settings),
        person_(person),
        progress_(progress),
        chain_(*session.chain()),
        names_(session.context().channels),
        residual_(residual_of(chain_)),
        findings_(session.begin_findings("bench_check")) {
    tone_ = settings_.tone;
    const std::optional<ScaleCalibrations>& range = chain_.range().calibration;
    if (range && !range->is_through_unit) {
      tone_.frequency_hz = range->frequency_hz;
      tone_.drive_dbfs = range->drive_dbfs;
    }
  }

  Findings run() {
    check_profile();
    const std::string& range = chain_.range().name;
    if (!person_.wires(
            Wiring::kDividerTop,
            fmt::format("Unplug the unit. Connect the sound card's outputs to the tops of the "
                        "dividers, left to left and right to right; range {}.",
                        range))) {
      throw Error(ExitCode::kRefused, "calibrate check: stopped before anything was played");
    }
    const SoundingTone sounding(session_);
    whisper();
    read_levels();
    compare_with_calibration();
    if (settings_.meter) compare_with_meter();
    session_.refuse_if_cut("calibrate check");
    session_.silence();
    if (settings_.checks_stream && !progress_.is_cancelled()) {
      check_stream(session_, settings_.stream, progress_, findings_);
      session_.refuse_if_cut("calibrate check");
    }
    return std::move(findings_);
  }

 private:
  // An amplifier left in the way shows in a whisper, before anything is played aloud.
  void whisper() {
    double gain_db = -200;
    for (std::size_t c = 0; c < names_.size(); ++c) {
      gain_db = std::max(gain_db, expected_gain_db(chain_, c));
    }
    session_.guard(rms_of_dbfs(kWhisper_dbfs + gain_db + kStrange_db));
    session_.play({tone_.frequency_hz}, kWhisper_dbfs);
    session_.settle(0.2);
    static_cast<void>(read_level(session_, tone_.frequency_hz, 0.1));
    if (session_.was_cut()) {
      throw Error(ExitCode::kRefused,
                  fmt::format("calibrate check: a whisper comes back more than {:g} dB louder than "
                              "the profile lets expect: unplug the amplifier, put the range switch "
                              "on {}",
                              kStrange_db, chain_.range().name));
    }
    // A full-scale sine has 0.71; only what clips has more.
    constexpr double kClipping_rms = 0.75;
    session_.guard(std::min(kClipping_rms, rms_of_dbfs(gain_db + kStrange_db)));
  }

  void check_profile() {
    const Profile& profile = chain_.profile();
    const auto look_at_date = [&](const std::string& what, const std::string& date) {
      const std::optional<double> days = days_since(date);
      if (days && *days < -1) {
        append_caution(
            findings_, "stale_profile",
            fmt::format("{} was calibrated in {}, which is yet to come: is this computer's "
                        "date right?",
                        what, date));
      } else if (!days || *days > settings_.stale_days) {
        append_caution(findings_, "stale_profile",
                       fmt::format("{} was calibrated {}; do it again", what,
                                   days ? fmt::format("{:.0f} days ago", *days)
                                        : "at a date that cannot be read"));
      }
    };
    const std::optional<ScaleCalibrations>& range = chain_.range().calibration;
    if (range) look_at_date(fmt::format("range {}", chain_.range().name), range->date);
    if (const auto& output = profile.output_calibration) {
      look_at_date("the output", output->date);
    }
    if (const auto& loopback = profile.loopback) {
      look_at_date("the loopback", loopback->date);
    }
    if (const auto& load = profile.load.calibration) look_at_date("the load", load->date);
    if (!range) {
      append_caution(findings_, "not_calibrated",
                     fmt::format("range {} holds nominal values: 'sinewright calibrate input' "
                                 "gives it true ones",
                                 chain_.range().name));
    }
  }

  void read_levels() {
    const double frequency_hz = tone_.frequency_hz;
    progress_.report(0, fmt::format("{:g} Hz, {:g} dBFS", frequency_hz, tone_.drive_dbfs));
    session_.play({frequency_hz}, tone_.drive_dbfs);
    session_.settle(0.2);
    const Capture capture = session_.capture(tone_.duration_s);
    // Half of it silence: any level read from that would be blamed on the wiring.
    session_.refuse_if_cut("calibrate check");
    ToneAnalysis analysis;
    static_cast<void>(session_.measure_tone(capture, {frequency_hz}, &analysis));
    for (std::size_t c = 0; c < names_.size(); ++c) {
      const ToneChannel& tone = analysis.channels[c];
      if (!tone.has_tone) {
        session_.silence();
        throw Error(ExitCode::kRefused,
                    fmt::format("calibrate check: the tone does not come back in {}; check the "
                                "wiring, the range switch and the sound card's controls",
                                names_[c]));
      }
      const double volts = chain_.volts_of_rms(tone.fundamental_rms, c) *
                           volts_correction(chain_, c, frequency_hz, residual_.get());
      levels_.push_back({volts, {tone.level_deviation, 1e9}});
      append_with_uncertainty(findings_, "level", names_[c], volts, Unit::kVolt, volts_of(c),
                              volts);
    }
  }

  [[nodiscard]] std::vector<Component> volts_of(std::size_t channel) const {
    if (!chain_.has_calibrated_volts(channel)) return {};
    return volts_budget(chain_, channel, tone_.frequency_hz,
                        levels_.size() > channel ? levels_[channel].repeatability : Repeatability{},
                        residual_.get());
  }

  void disagrees(const std::string& channel, double difference_db, const std::string& with) {
    append_caution(findings_, "bench_disagrees",
                   fmt::format("reads {:+.2f} dB off {}: a gain knob, the system's volume, the "
                               "range switch or a plug has moved; put it back, or calibrate again",
                               difference_db, with),
                   channel);
  }

  // At calibration the same loop was read in the same wiring: the meter plays no part.
  [[nodiscard]] Expected as_calibrated(std::size_t channel) const {
    const ScaleCalibrations& then = *chain_.range().calibration;
    const ScaleCalibration& own = *then.channels[channel];
    const double stability = chain_.profile().stability_percent / 100;
    return {own.full_scale_vrms *
                amplitude_ratio_of_db(own.level_dbfs + tone_.drive_dbfs - then.drive_dbfs),
            {rectangular("gain of the output since", stability),
             rectangular("gain of sound card and divider since", stability),
             type_a("repeatability at calibration", own.repeatability, kMany),
             type_a("repeatability", levels_[channel].repeatability.relative, kMany)},
            "as read when this range was calibrated"};
  }

  // The range was calibrated through a unit, or not at all: what the output plays is known.
  [[nodiscard]] Expected from_output(std::size_t channel) const {
    const Profile& profile = chain_.profile();
    Expected expected{
        output_full_scale_vrms(profile, channel) * amplitude_ratio_of_db(tone_.drive_dbfs),
        {},
        "from the drive and the output's nominal volts"};
    const std::optional<ScaleCalibrations>& output = profile.output_calibration;
    if (!output || !output->channels[channel]) return expected;
    expected.note = "from the drive and the output as calibrated";
    if (!chain_.has_calibrated_volts(channel)) return expected;
    const ScaleCalibration& own = *output->channels[channel];
    expected.budget = volts_against(channel, output->meter, own.meter_v, "meter at the output");
    expected.budget.push_back(rectangular("display of the meter at the output",
                                          output->meter.resolution / 2 / own.meter_v));
    expected.budget.push_back(
        type_a("repeatability at calibration of the output", own.repeatability, kMany));
    expected.budget.push_back(
        rectangular("gain of the output since", profile.stability_percent / 100));
    return expected;
  }

  // Ours against `reading` of a meter, less its display's step: one and the same meter errs alike
  // in both, so that only the difference of the bounds is left.
  [[nodiscard]] std::vector<Component> volts_against(std::size_t channel,
                                                     const MeterAccuracy& meter, double reading,
                                                     const std::string& source) const {
    std::vector<Component> budget = volts_of(channel);
    const ScaleCalibrations& then = *chain_.range().calibration;
    const double bound = meter.half_width(reading) / reading;
    if (then.meter != meter) {
      budget.push_back(rectangular(source, bound));
      return budget;
    }
    const double meter_v = then.channels[channel]->meter_v;
    const double bound_then = then.meter.half_width(meter_v) / meter_v;
    std::erase_if(budget, [](const Component& line) { return line.source == kMeterSource; });
    budget.push_back(rectangular("meter, as far as it errs apart", std::abs(bound - bound_then)));
    return budget;
  }

  void compare_with_calibration() {
    for (std::size_t c = 0; c < names_.size(); ++c) {
      const bool has_read_this =
          chain_.has_calibrated_volts(c) && !chain_.range().calibration->is_through_unit;
      const Expected expected = has_read_this ? as_calibrated(c) : from_output(c);
      append_reading(findings_, "expected", names_[c], expected.volts, Unit::kVolt);
      findings_.readings.back().note = expected.note;
      const double difference_db = db_of_amplitude_ratio(levels_[c].volts / expected.volts);
      append_with_uncertainty(findings_, "difference", names_[c], difference_db, Unit::kDb,
                              expected.budget, kDbOfRelative);
      const double limit_db =
          expected.budget.empty() ? kNominal_db : kDbOfRelative * combine(expected.budget).expanded;
      if (std::abs(difference_db) > limit_db) {
        disagrees(names_[c], difference_db, "what the profile expects");
      }
    }
  }

  void compare_with_meter() {
    const MeterAccuracy& meter = *settings_.meter;
    const std::optional<double> meter_v = person_.reads_meter(
        {MeterPoint::Place::kDividerTop, 0},
        "Meter on AC volts across the top of the left divider. What does it read, in volts?",
        [&] { session_.idle(0.05); });
    if (!meter_v) return;
    if (!(*meter_v > 0)) {
      throw Error(
          ExitCode::kRefused,
          fmt::format("calibrate check: a meter reading of {:g} V where a tone plays: is it "
                      "on AC volts, across the top of the left divider? Give what it shows",
                      *meter_v));
    }
    append_reading(findings_, "meter", names_[0], *meter_v, Unit::kVolt);
    const double difference = levels_[0].volts / *meter_v - 1;
    if (!chain_.has_calibrated_volts(0)) {
      if (std::abs(kDbOfRelative * difference) > kNominal_db) {
        disagrees(names_[0], kDbOfRelative * difference, "the meter");
      }
      return;
    }
    std::vector<Component> budget = volts_against(0, meter, *meter_v, "meter now");
    budget.push_back(rectangular("display of the meter now", meter.resolution / 2 / *meter_v));
    const double en = difference / combine(budget).expanded;
    append_reading(findings_, "en", names_[0], en, Unit::kRatio);
    findings_.readings.back().note = "above 1 in magnitude they disagree";
    if (std::abs(en) > 1) disagrees(names_[0], kDbOfRelative * difference, "the meter");
  }

  Session& session_;
  const BenchCheckSettings& settings_;
  Operator& person_;
  Progress& progress_;
  const Chain& chain_;
  std::vector<std::string> names_;
  std::shared_ptr<const SoundCardResidual> residual_;
  Findings findings_;
  CalibrationTone tone_;
  std::vector<ChannelLevel> levels_;
};

}  // namespace

Findings check_bench(Session& session, const BenchCheckSettings& settings, Operator& person,
                     Progress& progress) {
  if (!session.chain()) {
    throw Error(ExitCode::kUsage, "calibrate check: needs a bench profile; give --bench FILE");
  }
  Findings findings = Check(session, settings, person, progress).run();
  session.silence();
  findings.ended_s = session.begin_findings("bench_check").started_s;
  return findings;
}

bool refutes_bench(const Findings& findings) {
  constexpr std::array<const char*, 5> kRefuting = {
      "bench_disagrees", "foreign_profile", kStreamAltered, "mono_input", "channels_swapped"};
  return std::any_of(
      findings.cautions.begin(), findings.cautions.end(), [&](const Caution& caution) {
        return std::find(kRefuting.begin(), kRefuting.end(), caution.code) != kRefuting.end();
      });
}

}  // namespace sinewright
