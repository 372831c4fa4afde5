#include "bench/divider.h"

#include <fmt/format.h>

#include <cmath>
#include <numbers>
#include <stdexcept>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr double kBand_hz = 19980;  // 20 Hz - 20 kHz
constexpr double kBandEdge_hz = 20000;
constexpr double kZeroCelsius_k = 273.15;
constexpr double kPart = 0.5;           // of what a resistor bears
constexpr double kMostPeakEach_v = 25;  // across one resistor at full power
constexpr double kMostFault_a = 0.02;   // what a light-emitting diode bears
constexpr double kCleanClamp_dbc = -120;
constexpr double kVoltageCoefficient_ppm_per_v = 1;
constexpr int kMostInSeries = 8;
constexpr double kFewer_db = 0.25;  // worth a resistor less
constexpr double kSourceSpan = 5, kPadSourceSpan = 2;
constexpr double kLeast_ohm = 10, kMost_ohm = 1e6;
constexpr double kLineSource_ohm = 1000, kPhonoSource_ohm = 100;

double amplitude_ratio(double db) { return std::pow(10, db / 20); }
double db_of(double amplitude_ratio) { return 20 * std::log10(amplitude_ratio); }

double temperature_k(const DividerRequest& request) { return request.ambient_c + kZeroCelsius_k; }

double allowed_w(const DividerRequest& request) {
  return kPart * request.resistor.rated_w * metal_film_derating(request.ambient_c);
}

Attenuator attenuator_of(const DividerRequest& request, const ResistorPair& pair) {
  return {pair.top_each_ohm * pair.top_count, pair.bottom_ohm, request.input_ohm};
}

/// R1 with the whole rail across it, and with full power.
bool bears_top(const DividerRequest& request, double each_ohm, int count) {
  const double rail_each_v = request.rail_v / count;
  return rail_each_v * rail_each_v / each_ohm <= allowed_w(request) &&
         rail_each_v <= kPart * request.resistor.rated_v &&
         request.rail_v / (each_ohm * count) <= kMostFault_a &&
         terminal_peak_v(request) / count <= kMostPeakEach_v;
}

bool bears_bottom(const DividerRequest& request, const Attenuator& divider) {
  return bottom_w(divider, request.rail_v) <= allowed_w(request);
}

struct Found {
  ResistorPair pair;
  double excess = 0;  // worst ratio over wanted one; 0: none found
};

Found best_with_count(const DividerRequest& request, double wanted_ratio, double source_limit_ohm,
                      int count) {
  Found best;
  const auto values = values_between(request.resistor.series, kLeast_ohm, kMost_ohm);
  for (const double each_ohm : values) {
    if (!bears_top(request, each_ohm, count)) continue;
    for (const double bottom_ohm : values) {
      if (bottom_ohm > request.input_ohm) break;
      const ResistorPair pair{each_ohm, count, bottom_ohm};
      const Attenuator divider = attenuator_of(request, pair);
      const double excess =
          ratio_bounds(divider, request.resistor.tolerance_percent).low / wanted_ratio;
      if (excess < 1 || (best.excess > 0 && excess >= best.excess)) continue;
      const double source = source_ohm(divider);
      if (source > source_limit_ohm || source < source_limit_ohm / kSourceSpan) continue;
      if (bears_bottom(request, divider)) best = {pair, excess};
    }
  }
  return best;
}

void add_clamp(const DividerRequest& request, RangeDesign& range) {
  const double full_scale_peak_v = request.input_full_scale_vrms * std::numbers::sqrt2;
  const auto clean_dbfs = [&](const Clamp& clamp) {
    return db_of(clean_peak_v(clamp, range.source_ohm, kCleanClamp_dbc) / full_scale_peak_v);
  };
  const Clamp clamp = clamp_for(kRedLed, full_scale_peak_v, range.source_ohm, kCleanClamp_dbc);
  // R2 open: R1 and the input divide, and R1 beside the input is the source.
  const double open_ohm = range.open_rail_v / request.rail_v * range.divider.top_ohm;
  const double fault_v = clamped_v(clamp, range.open_rail_v, open_ohm);
  range.clamp = {clamp, clean_dbfs(clamp), fault_v, clamp_a(clamp, fault_v)};
  range.silicon_pair_dbfs = clean_dbfs({kSiliconDiode, 1});
}

void add_strain(const DividerRequest& request, RangeDesign& range) {
  const double full_vrms = terminal_vrms(request, request.power_w);
  const int count = range.pair.top_count;
  range.allowed_w = allowed_w(request);
  range.top_full_power_w = top_w(range.divider, full_vrms) / count;
  range.bottom_full_power_w = bottom_w(range.divider, full_vrms);
  range.top_rail_w = request.rail_v * request.rail_v / range.divider.top_ohm / count;
  range.bottom_rail_w = bottom_w(range.divider, request.rail_v);
  range.top_rail_v = request.rail_v / count;
  range.top_peak_v = terminal_peak_v(request) * (1 - 1 / range.ratio) / count;
  range.voltage_dbc = voltage_coefficient_dbc(kVoltageCoefficient_ppm_per_v, range.top_peak_v) +
                      db_of(1 - 1 / range.ratio);
  range.full_power_vrms = full_vrms / range.ratio;
  range.rail_v = request.rail_v / range.ratio;
  range.open_full_power_v = open_bottom_v(range.divider, full_vrms);
  range.open_rail_v = open_bottom_v(range.divider, request.rail_v);
}

void add_noise(const DividerRequest& request, RangeDesign& range) {
  const double one_watt_vrms = terminal_vrms(request, 1);
  range.thermal_vrms = thermal_noise_vrms(range.source_ohm, kBand_hz, temperature_k(request));
  range.thermal_db = db_of(range.thermal_vrms * range.ratio / one_watt_vrms);
  if (!request.card_noise_dbfs) return;
  const double card_vrms =
      request.input_full_scale_vrms * amplitude_ratio(*request.card_noise_dbfs);
  range.noise_db = db_of(std::hypot(range.thermal_vrms, card_vrms) * range.ratio / one_watt_vrms);
}

/// The pad nearest to `wanted_db`, source resistance up to `source_limit_ohm`.
PadDesign find_pad(const DividerRequest& request, const std::string& name, double wanted_db,
                   double source_limit_ohm) {
  PadDesign best;
  double best_error_db = 0;
  const ESeries series = request.resistor.series;
  const auto bottoms =
      values_between(series, source_limit_ohm / kPadSourceSpan, source_limit_ohm * 2);
  for (const double top_ohm : values_between(series, 1000, 100000)) {
    for (const double bottom_ohm : bottoms) {
      const Attenuator pad{request.output_ohm + top_ohm, bottom_ohm, request.pad_load_ohm};
      const double source = source_ohm({pad.top_ohm, bottom_ohm, 1e15});  // the pad by itself
      if (source > source_limit_ohm || source < source_limit_ohm / kPadSourceSpan) continue;
      const double attenuation_db = db_of(ratio_of(pad));
      const double error_db = std::abs(attenuation_db - wanted_db);
      if (!best.name.empty() && error_db >= best_error_db) continue;
      best_error_db = error_db;
      best = {name, top_ohm, bottom_ohm, wanted_db, attenuation_db, 0, source, 0, 0};
    }
  }
  if (best.name.empty()) {
    throw Error(ExitCode::kUsage, fmt::format("no {} pad of {} has {:.4g} dB; ask for 10 to 60 dB",
                                              name, name_of(series), wanted_db));
  }
  const Attenuator pad{best.top_ohm, best.bottom_ohm, request.pad_load_ohm};
  best.full_scale_vrms = request.output_full_scale_vrms / amplitude_ratio(best.attenuation_db);
  best.thermal_vrms = thermal_noise_vrms(best.source_ohm, kBand_hz, temperature_k(request));
  best.card_load_ohm = total_ohm(pad);
  return best;
}

void check_positive(const char* name, double value) {
  if (value > 0 && std::isfinite(value)) return;
  throw std::invalid_argument(
      fmt::format("{} {}: not above 0; give a positive value", name, value));
}

void check(const DividerRequest& request) {
  check_positive("power_w", request.power_w);
  check_positive("load_ohm", request.load_ohm);
  check_positive("rail_v", request.rail_v);
  check_positive("input_full_scale_vrms", request.input_full_scale_vrms);
  check_positive("input_ohm", request.input_ohm);
  check_positive("low_w", request.low_w);
  check_positive("resistor.rated_w", request.resistor.rated_w);
  check_positive("resistor.rated_v", request.resistor.rated_v);
  check_positive("cable_pf", request.cable_pf);
  check_positive("high_source_ohm", request.high_source_ohm);
  check_positive("low_source_ohm", request.low_source_ohm);
  check_positive("output_full_scale_vrms", request.output_full_scale_vrms);
  check_positive("phono_full_scale_vrms", request.phono_full_scale_vrms);
  check_positive("pad_load_ohm", request.pad_load_ohm);
  if (request.rail_v < terminal_peak_v(request)) {
    throw std::invalid_argument(fmt::format("rail_v {}: below {:.4g} V, the peak of {} W",
                                            request.rail_v, terminal_peak_v(request),
                                            request.power_w));
  }
  if (request.low_w > request.power_w) {
    throw std::invalid_argument(
        fmt::format("low_w {}: above power_w, {} W; lower it", request.low_w, request.power_w));
  }
}

RangeDesign design_range(const DividerRequest& request, const std::string& name, double level_w,
                         double source_limit_ohm) {
  const double wanted = terminal_vrms(request, level_w) * amplitude_ratio(request.margin_db) /
                        request.input_full_scale_vrms;
  return evaluate_range(request, name, find_pair(request, wanted, source_limit_ohm), wanted);
}

}  // namespace

double terminal_vrms(const DividerRequest& request, double power_w) {
  return std::sqrt(power_w * request.load_ohm) / (request.is_bridged ? 2 : 1);
}

double terminal_peak_v(const DividerRequest& request) {
  return terminal_vrms(request, request.power_w) * std::numbers::sqrt2;
}

RangeDesign evaluate_range(const DividerRequest& request, const std::string& name,
                           const ResistorPair& pair, double wanted_ratio) {
  RangeDesign range;
  range.name = name;
  range.pair = pair;
  range.divider = attenuator_of(request, pair);
  range.wanted_ratio = wanted_ratio;
  range.ratio = ratio_of(range.divider);
  range.bounds = ratio_bounds(range.divider, request.resistor.tolerance_percent);
  range.loading_db = loading_db(range.divider);
  range.full_scale_vrms = range.ratio * request.input_full_scale_vrms;
  const double relative = range.full_scale_vrms / terminal_vrms(request, 1);
  range.full_scale_w = relative * relative;
  range.full_power_dbfs = db_of(terminal_vrms(request, request.power_w) / range.full_scale_vrms);
  range.clipping_dbfs = db_of(request.rail_v / (range.full_scale_vrms * std::numbers::sqrt2));
  range.source_ohm = source_ohm(range.divider);
  range.total_ohm = total_ohm(range.divider);
  add_strain(request, range);
  add_noise(request, range);
  range.pole_hz = pole_hz(range.source_ohm, request.cable_pf * 1e-12);
  range.loss_20k_db = pole_loss_db(kBandEdge_hz, range.pole_hz);
  // Bridged, two dividers in series stand across the load.
  const double across_ohm = range.total_ohm * (request.is_bridged ? 2 : 1);
  range.shunt_percent = 100 * request.load_ohm / across_ohm;
  add_clamp(request, range);
  return range;
}

ResistorPair find_pair(const DividerRequest& request, double wanted_ratio,
                       double source_limit_ohm) {
  std::vector<Found> found;
  double least = 0;
  for (int count = 1; count <= kMostInSeries; ++count) {
    const Found best = best_with_count(request, wanted_ratio, source_limit_ohm, count);
    if (best.excess == 0) continue;
    if (least == 0 || best.excess < least) least = best.excess;
    found.push_back(best);
  }
  for (const Found& each : found) {
    if (each.excess <= least * amplitude_ratio(kFewer_db)) return each.pair;
  }
  throw Error(ExitCode::kUsage,
              fmt::format("no {} pair bears {} V rails with {} W resistors at {} °C and {} ohm of "
                          "source resistance; take stronger resistors, or allow more source "
                          "resistance",
                          name_of(request.resistor.series), request.rail_v,
                          request.resistor.rated_w, request.ambient_c, source_limit_ohm));
}

DividerDesign design_divider(const DividerRequest& request) {
  check(request);
  DividerDesign design{request, {}, {}};
  design.ranges = {design_range(request, "high", request.power_w, request.high_source_ohm),
                   design_range(request, "low", request.low_w, request.low_source_ohm)};
  const double phono_db = db_of(request.output_full_scale_vrms / request.phono_full_scale_vrms);
  design.pads = {find_pad(request, "line", request.line_pad_db, kLineSource_ohm),
                 find_pad(request, "phono", phono_db, kPhonoSource_ohm)};
  return design;
}

}  // namespace sinewright
