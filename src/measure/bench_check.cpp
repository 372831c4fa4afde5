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
        findings_(session.begin_findings("bench_check")) {
    tone_ = settings_.tone;
    const std::optional<ScaleCalibrations>& range = chain_.range().calibration;
    if (range && !range->is_through_unit) {
      tone_.frequency_hz = range->frequency_hz;
      tone_.drive_dbfs = range->drive_dbfs;
    }
    const std::optional<Loopback>& loopback = chain_.profile().loopback;
    if (loopback && !loopback->tones.empty()) residual_.emplace(*loopback);
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
    const auto look = [&](const std::string& what, const auto& calibration) {
      const std::string& device = calibration.device;
      const std::optional<double> days = days_since(calibration.date);
      if (!days || *days > settings_.stale_days) {
        append_caution(findings_, "stale_profile",
                       fmt::format("{} was calibrated {}; do it again", what,
                                   days ? fmt::format("{:.0f} days ago", *days)
                                        : "at a date that cannot be read"));
      }
      const std::string now = session_.stream().device();
      if (!device.empty() && device != now) {
        append_caution(findings_, "foreign_profile",
                       fmt::format("{} was calibrated with '{}', this is '{}': its values do not "
                                   "hold here; calibrate with this device, or use that one",
                                   what, device, now));
      }
      const double rate_hz = session_.sample_rate().hz;
      if (calibration.sample_rate_hz && *calibration.sample_rate_hz != rate_hz) {
        append_caution(findings_, "foreign_profile",
                       fmt::format("{} was calibrated at {:g} Hz, this is {:g} Hz: converters have "
                                   "another gain and response there; calibrate at this rate, or "
                                   "use that one",
                                   what, *calibration.sample_rate_hz, rate_hz));
      }
    };
    const std::optional<ScaleCalibrations>& range = chain_.range().calibration;
    if (range) look(fmt::format("range {}", chain_.range().name), *range);
    if (const auto& output = profile.output_calibration) {
      look("the output", *output);
    }
    if (const auto& loopback = profile.loopback) {
      look("the loopback", *loopback);
    }
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
    ToneAnalysis analysis;
    static_cast<void>(
        session_.measure_tone(session_.capture(tone_.duration_s), {frequency_hz}, &analysis));
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
                           volts_correction(chain_, c, frequency_hz, residual());
      levels_.push_back({volts, {tone.level_deviation, 1e9}});
      append_with_uncertainty(findings_, "level", names_[c], volts, Unit::kVolt, volts_of(c),
                              volts);
    }
  }

  [[nodiscard]] const SoundCardResidual* residual() const {
    return residual_ ? &*residual_ : nullptr;
  }

  [[nodiscard]] std::vector<Component> volts_of(std::size_t channel) const {
    if (!chain_.has_calibrated_volts(channel)) return {};
    return volts_budget(chain_, channel, tone_.frequency_hz,
                        levels_.size() > channel ? levels_[channel].repeatability : Repeatability{},
                        residual());
  }

  void disagrees(const std::string& channel, double difference_db, const std::string& with) {
    append_caution(findings_, "bench_disagrees",
                   fmt::format("reads {:+.2f} dB off {}: a gain knob, the system's volume, the "
                               "range switch or a plug has moved; put it back, or calibrate again",
                               difference_db, with),
                   channel);
  }

  // At calibration the same loop was read in the same wiring: the meter plays no part.
  void compare_with_calibration() {
    const double drive_dbfs = tone_.drive_dbfs;
    for (std::size_t c = 0; c < names_.size(); ++c) {
      double expected_v =
          chain_.profile().output_full_scale_vrms * amplitude_ratio_of_db(drive_dbfs);
      std::vector<Component> budget;
      double limit_db = kNominal_db;
      const std::optional<ScaleCalibrations>& range = chain_.range().calibration;
      if (chain_.has_calibrated_volts(c) && !range->is_through_unit) {
        const ScaleCalibrations& then = *chain_.range().calibration;
        const ScaleCalibration& channel = *then.channels[c];
        expected_v = channel.full_scale_vrms *
                     amplitude_ratio_of_db(channel.level_dbfs + drive_dbfs - then.drive_dbfs);
        const double stability = chain_.profile().stability_percent / 100;
        budget = {rectangular("gain of the output since", stability),
                  rectangular("gain of sound card and divider since", stability),
                  type_a("repeatability at calibration", channel.repeatability, 1e9),
                  type_a("repeatability", levels_[c].repeatability.relative, 1e9)};
        limit_db = kDbOfRelative * combine(budget).expanded;
      }
      append_reading(findings_, "expected", names_[c], expected_v, Unit::kVolt);
      findings_.readings.back().note = budget.empty()
                                           ? "from the drive and the output's nominal volts"
                                           : "as read when this range was calibrated";
      const double difference_db = db_of_amplitude_ratio(levels_[c].volts / expected_v);
      append_with_uncertainty(findings_, "difference", names_[c], difference_db, Unit::kDb, budget,
                              kDbOfRelative);
      if (std::abs(difference_db) > limit_db) {
        disagrees(names_[c], difference_db, "what the profile expects");
      }
    }
  }

  void compare_with_meter() {
    const std::optional<double> meter_v = person_.reads_meter(
        {MeterPoint::Place::kDividerTop, 0},
        "Meter on AC volts across the top of the left divider. What does it read, in volts?",
        [&] { session_.idle(0.05); });
    if (!meter_v) return;
    append_reading(findings_, "meter", names_[0], *meter_v, Unit::kVolt);
    const double bound =
        (settings_.meter->half_width(*meter_v) + settings_.meter->resolution / 2) / *meter_v;
    const double difference = levels_[0].volts / *meter_v - 1;
    std::vector<Component> budget = volts_of(0);
    if (budget.empty()) {
      if (std::abs(kDbOfRelative * difference) > kNominal_db) {
        disagrees(names_[0], kDbOfRelative * difference, "the meter");
      }
      return;
    }
    const double ours = combine(budget).expanded;
    const Component meter = rectangular("meter now", bound);
    const double en = difference / std::hypot(ours, combine(std::span(&meter, 1)).expanded);
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
  Findings findings_;
  CalibrationTone tone_;
  std::optional<SoundCardResidual> residual_;
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
