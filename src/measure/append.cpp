#include "measure/append.h"

#include <fmt/chrono.h>

#include <algorithm>
#include <chrono>
#include <ctime>
#include <utility>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kDbuReference_v = 0.7745966692414834;  // sqrt(0.6): 1 mW in 600 ohm

void limit(Reading& reading, const std::optional<Interval>& interval, bool is_sound_card) {
  if (!reading.value && !interval) return;
  reading.interval = interval;
  if (is_sound_card) reading.limited_by = "sound_card";
}

std::optional<Interval> db_of(const std::optional<Interval>& ratio, double reference = 1) {
  if (!ratio) return std::nullopt;
  return Interval{db_or_nothing(ratio->low / reference), db_or_nothing(ratio->high / reference)};
}

std::optional<Interval> scaled(const std::optional<Interval>& interval, double low, double high) {
  if (!interval) return std::nullopt;
  return Interval{interval->low * low, interval->high * high};
}

}  // namespace

Reading& append_reading(Findings& findings, const std::string& key, const std::string& channel,
                        std::optional<double> value, Unit unit) {
  Reading reading;
  reading.key = key;
  reading.channel = channel;
  reading.value = value;
  reading.unit = unit;
  return findings.readings.emplace_back(std::move(reading));
}

void append_caution(Findings& findings, const std::string& code, const std::string& text,
                    const std::string& channel, std::optional<double> at_s) {
  findings.cautions.push_back({code, text, channel, at_s});
}

void append_caution_once(Findings& findings, const std::string& code, const std::string& text) {
  const bool stands = std::any_of(findings.cautions.begin(), findings.cautions.end(),
                                  [&](const Caution& caution) { return caution.code == code; });
  if (!stands) append_caution(findings, code, text);
}

void append_level(Findings& findings, const std::string& key, const std::string& channel,
                  const Level& level, const ReadingContext& context, bool has_watts) {
  Reading& in_dbfs =
      append_reading(findings, key, channel, finite(dbfs_of_rms(level.rms)), Unit::kDbfs);
  if (is_calibrated(context, channel))
    set_uncertainty(in_dbfs, spread_only(level.deviation, level.degrees_of_freedom));
  if (!context.chain) return;

  const std::size_t index = channel_index(context, channel);
  const OwnLevel own = own_level(level);
  const LevelUncertainty sure = level_uncertainty(context, channel, level.frequency_hz,
                                                  {own.standard, level.degrees_of_freedom});
  const double volts = sure.correction * context.chain->volts_of_rms(own.rms, index);
  std::optional<Interval> between;
  // Of nominal volts no interval can be told: their scale is not known.
  if (own.interval && sure.volts) {
    // The spread is in the interval already; the scale is not.
    const LevelUncertainty scale = level_uncertainty(context, channel, level.frequency_hz, {});
    const double open = scale.volts->expanded;
    const double volts_per_rms = sure.correction * context.chain->volts_of_rms(1, index);
    between = scaled(own.interval, volts_per_rms * (1 - open), volts_per_rms * (1 + open));
  }
  const auto add = [&](std::optional<double> value, Unit unit,
                       const std::optional<Interval>& interval,
                       const std::optional<Uncertainty>& relative) {
    Reading& reading = append_reading(findings, key, channel, value, unit);
    limit(reading, interval, own.is_sound_card);
    if (own.is_open_below) reading.note = kOutputNoiseNote;
    if (relative && !own.is_sound_card && !own.is_open_below) set_uncertainty(reading, *relative);
  };
  add(finite(volts), Unit::kVolt, between, sure.volts);
  add(finite(db_of_amplitude_ratio(volts)), Unit::kDbv, db_of(between), sure.volts);
  add(finite(db_of_amplitude_ratio(volts / kDbuReference_v)), Unit::kDbu,
      db_of(between, kDbuReference_v), sure.volts);
  if (!has_watts) return;
  const auto watts = [&](double vrms) { return context.chain->watts_of_volts(vrms, index); };
  if (between) between = Interval{watts(between->low), watts(between->high)};
  add(finite(watts(volts)), Unit::kWatt, between, sure.watts);
}

void append_ratio(Findings& findings, const std::string& key, const std::string& channel,
                  std::optional<double> ratio, const RatioLimits& limits) {
  const bool exists = ratio && *ratio > 0;
  Reading& in_percent = append_reading(
      findings, key, channel, exists ? finite(100 * *ratio) : std::nullopt, Unit::kPercent);
  limit(in_percent, scaled(limits.interval, 100, 100), limits.is_sound_card);
  if (limits.relative) set_uncertainty(in_percent, *limits.relative);
  append_db(findings, key, channel, exists ? *ratio : 0, limits);
}

void append_db(Findings& findings, const std::string& key, const std::string& channel, double ratio,
               const RatioLimits& limits) {
  Reading& in_db =
      append_reading(findings, key, channel, finite(db_of_amplitude_ratio(ratio)), Unit::kDb);
  limit(in_db, db_of(limits.interval), limits.is_sound_card);
  if (limits.relative) set_uncertainty(in_db, *limits.relative);
}

std::string utc_now() {
  const std::time_t now = std::chrono::system_clock::to_time_t(std::chrono::system_clock::now());
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(now));
}

}  // namespace sinewright
