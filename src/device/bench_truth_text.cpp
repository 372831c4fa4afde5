// The true figures of a bench as text for people.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>

#include "device/bench_truth.h"

namespace sinewright {
namespace {

struct Row {
  const char* label;
  const char* unit;
  double SpectrumTruth::*value;
};

constexpr Row kRows[] = {
    {"fundamental", "V", &SpectrumTruth::fundamental_vrms},
    {"level", "V", &SpectrumTruth::level_vrms},
    {"power", "W", &SpectrumTruth::watts},
    {"THD", "%", &SpectrumTruth::thd_percent},
    {"THD+N", "%", &SpectrumTruth::thd_n_percent},
    {"noise", "V", &SpectrumTruth::noise_vrms},
    {"noise, A-weighted", "V", &SpectrumTruth::noise_a_vrms},
    {"hum", "V", &SpectrumTruth::hum_vrms},
};

std::string cell(double value) {
  return std::isfinite(value) ? fmt::format("{:.6g}", value) : std::string("-");
}

void append_conditions(std::string& text, const TruthConditions& c) {
  const auto channels = c.is_driven[kLeft] ? (c.is_driven[kRight] ? "both channels" : "left")
                                           : (c.is_driven[kRight] ? "right" : "no channel");
  fmt::format_to(std::back_inserter(text),
                 "{} Hz at {} dBFS into {}, volume {} dB, {} range, {}{}, band {} - {} Hz\n\n",
                 c.frequency_hz, c.drive_dbfs, channels, c.volume_db,
                 c.range.empty() ? "first" : c.range, c.is_powered ? "powered" : "off",
                 c.is_input_shorted ? ", input shorted" : "", c.band_low_hz, c.band_high_hz);
}

void append_harmonics(std::string& text, const BenchTruth& truth) {
  const auto& left = truth.channels[kLeft].as_read.harmonics;
  const auto& right = truth.channels[kRight].as_read.harmonics;
  const std::size_t count = std::min({left.size(), right.size(), std::size_t{9}});
  for (std::size_t k = 0; k < count; ++k) {
    fmt::format_to(std::back_inserter(text), "{:<22}{:>28.2f}{:>28.2f}\n",
                   fmt::format("harmonic {}, dBc", left[k].order), left[k].level_dbc,
                   right[k].level_dbc);
  }
}

void append_part(std::string& text, const std::string& label, double marked,
                 const std::array<double, 2>& scale) {
  fmt::format_to(std::back_inserter(text), "{:<34}{:>14}{:>14}\n", label,
                 cell(marked * scale[kLeft]), cell(marked * scale[kRight]));
}

}  // namespace

std::string parts_text(const Scenario& scenario) {
  const BenchParts& parts = scenario.parts;
  std::string text = fmt::format("{:<34}{:>14}{:>14}\n", "parts as they are", "left", "right");
  append_part(text, "input full scale, V RMS", scenario.sound_card.input_full_scale_vrms,
              parts.input_scale);
  append_part(text, "output full scale, V RMS", scenario.sound_card.output_full_scale_vrms,
              parts.output_scale);
  for (std::size_t k = 0; k < scenario.ranges.size(); ++k) {
    append_part(text, fmt::format("ratio of the {} range", scenario.ranges[k].name),
                scenario.ranges[k].ratio, parts.ratio(k));
  }
  append_part(text, "load, ohm", scenario.load_ohm, parts.load_scale);
  fmt::format_to(std::back_inserter(text),
                 "the meter reads {:+.3f} % in volts, {:+.3f} % in ohm; its leads have {:.3f} "
                 "ohm\n",
                 100 * (parts.voltmeter_gain - 1), 100 * (parts.ohmmeter_gain - 1), parts.lead_ohm);
  return text;
}

std::string to_text(const BenchTruth& truth) {
  std::string text;
  append_conditions(text, truth.conditions);
  const auto out = std::back_inserter(text);
  fmt::format_to(out, "{:<22}{:>14}{:>14}{:>14}{:>14}\n", "", "left", "as read", "right",
                 "as read");
  const auto& [left, right] = truth.channels;
  for (const Row& row : kRows) {
    fmt::format_to(out, "{:<22}{:>14}{:>14}{:>14}{:>14}\n",
                   fmt::format("{}, {}", row.label, row.unit), cell(left.terminals.*row.value),
                   cell(left.as_read.*row.value), cell(right.terminals.*row.value),
                   cell(right.as_read.*row.value));
  }
  append_harmonics(text, truth);
  fmt::format_to(out, "{:<22}{:>28}{:>28}\n", "peaks, V",
                 fmt::format("{:+.3f} {:+.3f}", left.peak_positive_v, left.peak_negative_v),
                 fmt::format("{:+.3f} {:+.3f}", right.peak_positive_v, right.peak_negative_v));
  fmt::format_to(out, "{:<22}{:>28}{:>28}\n", "fundamental, dBFS", cell(left.fundamental_dbfs),
                 cell(right.fundamental_dbfs));
  fmt::format_to(out, "balance, left minus right: {} dB; phase, right minus left: {} degrees\n",
                 cell(truth.balance_db), cell(truth.phase_deg));
  return text;
}

}  // namespace sinewright
