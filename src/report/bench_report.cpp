#include "report/bench_report.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>

#include "bench/budget.h"
#include "bench/distortion_budget.h"
#include "dsp/units.h"
#include "report/numbers.h"

namespace sinewright {
namespace {

using Align = TextTable::Align;
constexpr std::array<const char*, 2> kSides = {"left", "right"};

std::string meter_text(const MeterAccuracy& meter, const std::string& unit) {
  return fmt::format("meter ±({} % + {} digits of {} {})", short_number(meter.percent),
                     short_number(meter.digits), short_number(meter.resolution), unit);
}

void add_scale(TextTable& table, const std::string& link, double nominal_vrms,
               const std::optional<ScaleCalibrations>& calibrated) {
  for (std::size_t c = 0; c < 2; ++c) {
    const std::string name = fmt::format("{}, {}", link, kSides[c]);
    if (!calibrated || !calibrated->channels[c]) {
      table.add({name, significant(nominal_vrms, 4) + " V at 0 dBFS", "nominal", ""});
      continue;
    }
    const ScaleCalibration& one = *calibrated->channels[c];
    table.add({name, significant(one.full_scale_vrms, 5) + " V at 0 dBFS", calibrated->date,
               fmt::format("{}, {} V at {} Hz", meter_text(calibrated->meter, "V"),
                           significant(one.meter_v, 5), short_number(calibrated->frequency_hz))});
  }
}

void add_load(TextTable& table, const Load& load) {
  for (std::size_t c = 0; c < 2; ++c) {
    const std::string name = fmt::format("load, {}", kSides[c]);
    if (!load.calibration) {
      table.add({name, significant(load.resistance_ohm, 4) + " ohm", "nominal", ""});
      continue;
    }
    table.add({name, significant(load.calibration->resistance_ohm[c], 4) + " ohm",
               load.calibration->date,
               fmt::format("{}, leads {} ohm", meter_text(load.calibration->meter, "ohm"),
                           short_number(load.calibration->lead_ohm))});
  }
}

void add_loopback(TextTable& table, const std::optional<Loopback>& loopback) {
  if (!loopback) {
    table.add({"sound card itself", "not known", "none", "run: calibrate loopback"});
    return;
  }
  for (std::size_t c = 0; c < 2; ++c) {
    table.add({fmt::format("sound card's noise, {}", kSides[c]),
               significant(loopback->silent_noise_dbfs[c], 4) + " dBFS", loopback->date,
               fmt::format(
                   "loopback, {} tones, {} to {} Hz{}", loopback->tones.size(),
                   short_number(loopback->band_low_hz), short_number(loopback->band_high_hz),
                   loopback->input_noise_dbfs
                       ? fmt::format(", input alone {:.1f} dBFS", (*loopback->input_noise_dbfs)[c])
                       : "")});
  }
}

std::string shape_text(Shape shape) {
  switch (shape) {
    case Shape::kNormal:
      return "normal";
    case Shape::kRectangular:
      return "rectangular";
    case Shape::kTriangular:
      return "triangular";
    case Shape::kArcsine:
      return "arcsine";
  }
  return "";
}

std::string percent(double relative) { return significant(100 * relative, 2) + " %"; }

std::vector<MeasuredHarmonic> equal_harmonics(double thd) {
  return {{2, thd / std::numbers::sqrt2}, {3, thd / std::numbers::sqrt2}};
}

std::string render_distortion(const Chain& chain, std::size_t channel, const BudgetPoint& point,
                              const SoundCardResidual& residual, const TextStyle& style) {
  const double volts = chain.volts_of_watts(point.watts, channel);
  const OperatingPoint at{point.frequency_hz, chain.dbfs_of_volts(volts, channel), std::nullopt};
  const double thd = point.thd_percent / 100;
  const std::vector<MeasuredHarmonic> harmonics = equal_harmonics(thd);
  // The same budgets as a reading has, its own spread apart: that is known when it is read.
  const auto render = [&](const std::string& what, const Limited& limited) {
    const std::vector<Component> budget =
        distortion_budget(limited, harmonics, residual, channel, at, 0);
    const double open = harmonics_response(harmonics, residual, channel, at);
    return render_budget(fmt::format("{} at {} W, {} (second and third harmonic alike)", what,
                                     short_number(point.watts), kSides[channel]),
                         budget, 20, style) +
           fmt::format("  the unit's own lies between {} and {} %{}\n",
                       significant(100 * limited.interval.low * std::max(0.0, 1 - open), 3),
                       significant(100 * limited.interval.high * (1 + open), 3),
                       limited.is_sound_card ? ": the sound card limits it" : "");
  };
  // THD+N: of these harmonics and the most noise that the sound card adds.
  const double fundamental_rms = rms_of_dbfs(at.input_dbfs);
  const double noise_rms = std::sqrt(residual.noise(channel, at).most_ms);
  const NoiseMeasured noise{fundamental_rms, noise_rms, 0};
  const std::string thd_text = fmt::format("THD of {} %", short_number(point.thd_percent));
  return render(thd_text, limit_thd(harmonics, residual, channel, at)) + "\n" +
         render("THD+N of the same", limit_thd_n(harmonics, noise, residual, channel, at)) +
         fmt::format("  the sound card's noise there is {} % THD+N\n",
                     significant(100 * noise_rms / fundamental_rms, 2));
}

}  // namespace

std::string render_chain(const Profile& profile, const TextStyle& style) {
  TextTable table({Align::kLeft, Align::kRight, Align::kLeft, Align::kLeft});
  table.add({"Link", "Value", "Calibrated", "Against"});
  add_scale(table, "output", profile.output_full_scale_vrms, profile.output_calibration);
  for (const Range& range : profile.ranges) {
    add_scale(table, fmt::format("input, range {}", range.name),
              profile.input_full_scale_vrms * range.ratio, range.calibration);
  }
  add_load(table, profile.load);
  add_loopback(table, profile.loopback);
  table.add({"gain since calibration",
             fmt::format("±{} %", short_number(profile.stability_percent)), "stated",
             "stability_percent"});
  std::string rating = short_number(profile.load.rated_w) + " W";
  if (profile.load.rated_s) {
    rating += fmt::format(" for {} s, {} W for ever", short_number(*profile.load.rated_s),
                          short_number(profile.load.continuous_w.value_or(0)));
  }
  table.add({"load's rating", rating, "stated", ""});
  table.add({"power limit", short_number(profile.power_limit_w) + " W", "stated", ""});
  return bold(profile.name, style) + "\n" + table.render(style);
}

std::string render_budget(const std::string& title, std::span<const Component> components,
                          double db_per_ratio, const TextStyle& style) {
  const Uncertainty combined = combine(components);
  TextTable table({Align::kLeft, Align::kRight, Align::kRight, Align::kRight, Align::kLeft});
  table.add({"Line", "Standard", "Sensitivity", "Share", "Shape"});
  for (const Component& line : components) {
    const double variance = line.contribution() * line.contribution();
    const double share =
        combined.standard > 0 ? variance / (combined.standard * combined.standard) : 0;
    table.add({line.source, percent(line.standard), significant(line.sensitivity, 2),
               fmt::format("{:.0f} %", 100 * share), shape_text(line.shape)});
  }
  return fmt::format("{}\n{}  combined {}, k = {:.2f}, expanded ±{} = ±{} dB\n", bold(title, style),
                     table.render(style), percent(combined.standard), combined.k,
                     percent(combined.expanded),
                     significant(db_per_ratio * std::log10(1 + combined.expanded), 2));
}

std::string render_budgets(const Chain& chain, const BudgetPoint& point, const TextStyle& style) {
  std::optional<SoundCardResidual> residual;
  const std::optional<Loopback>& loopback = chain.profile().loopback;
  if (loopback && !loopback->tones.empty()) residual.emplace(*loopback);
  const SoundCardResidual* known = residual ? &*residual : nullptr;
  std::string text;
  for (std::size_t c = 0; c < 2; ++c) {
    const std::string title =
        fmt::format("{} W at {} Hz, range {}, {}", short_number(point.watts),
                    short_number(point.frequency_hz), chain.range().name, kSides[c]);
    if (!chain.has_calibrated_watts(c)) {
      text += fmt::format("\n{}: no uncertainty yet; run calibrate {}\n", title,
                          chain.has_calibrated_volts(c) ? "load" : "input");
      continue;
    }
    text += "\n" +
            render_budget(title, watts_budget(chain, c, point.frequency_hz, {}, known), 10, style);
  }
  if (!known) {
    return text + "\nDistortion: the sound card's own is not known; run calibrate loopback\n";
  }
  for (std::size_t c = 0; c < 2; ++c) {
    text += "\n" + render_distortion(chain, c, point, *known, style);
  }
  return text;
}

}  // namespace sinewright
