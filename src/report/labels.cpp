#include "report/labels.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <string_view>
#include <utility>

#include "report/numbers.h"

namespace sinewright {
namespace {

struct Label {
  std::string_view key, text;
};

constexpr Label kReadings[] = {
    {"frequency", "Frequency"},
    {"level", "Level"},
    {"fundamental", "Fundamental"},
    {"thd", "THD"},
    {"thd_n", "THD+N"},
    {"notch_thd_n", "THD+N (notch)"},
    {"sinad", "SINAD"},
    {"noise", "Noise"},
    {"noise_a", "Noise, A-weighted"},
    {"noise_468", "Noise, ITU-R 468"},
    {"snr", "SNR"},
    {"snr_a", "SNR, A-weighted"},
    {"dc_offset", "Converter DC offset"},
    {"peak_positive", "Positive peak"},
    {"peak_negative", "Negative peak"},
    {"crest_factor", "Crest factor"},
    {"drift", "Drift"},
    {"level_drift", "Level drift"},
    {"frequency_drift", "Frequency drift"},
    {"ultrasonic", "Above the band"},
    {"balance", "Balance, left minus right"},
    {"phase", "Phase, right minus left"},
    {"polarity", "Polarity"},
    {"crosstalk", "Crosstalk"},
    {"mains_frequency", "Mains frequency"},
    {"hum", "Hum"},
    {"hum_lines", "Hum lines"},
    {"lines", "Other lines"},
    {"broadband", "Broadband noise"},
    {"response", "Response"},
    {"flatness", "Flatness, ±"},
    {"response_highest", "Highest"},
    {"response_lowest", "Lowest"},
    {"lower_corner", "Lower corner"},
    {"upper_corner", "Upper corner"},
    {"highest_output", "Highest output"},
    {"frequency_1", "Lower tone"},
    {"frequency_2", "Upper tone"},
    {"fundamental_1", "Lower tone, level"},
    {"fundamental_2", "Upper tone, level"},
    {"imd_modulation_2", "Modulation, 2nd order"},
    {"imd_modulation_3", "Modulation, 3rd order"},
    {"imd_modulation", "Modulation, RMS"},
    {"imd_difference_2", "Difference tone, 2nd order"},
    {"imd_difference_3", "Difference tone, 3rd order"},
    {"imd_difference_total", "Difference tone, total"},
    {"imd_residual", "All but the tones"},
    {"distortion_limited_output", "Distortion-limited output"},
    {"output", "Output"},
    {"expected", "Expected"},
    {"difference", "Difference"},
    {"meter", "Meter"},
    {"en", "From the meter, as a share of both ±"},
    {"linearity_loud", "Linearity at -1 dBFS"},
    {"linearity_faint", "Linearity at -60 dBFS"},
    {"constancy", "Constancy of a steady tone"},
    {"clock_difference", "Clock, input against output"},
    {"top_of_band", "At 0.45 of the sample rate"},
    {"resolution_bits", "Bits of the samples"},
};

constexpr Label kMeasurements[] = {
    {"tone", "Tone"},
    {"noise", "Noise"},
    {"silence", "Silence"},
    {"two_tones", "Two tones"},
    {"response", "Frequency response"},
    {"power", "Power and distortion"},
    {"bench_check", "Bench check"},
    {"unclassified", "Unknown"},
};

// Endings of condition keys, and the unit that each stands for.
constexpr Label kUnitEndings[] = {
    {"_hz", "Hz"},   {"_vrms", "V"},    {"_v", "V"},         {"_w", "W"},
    {"_ohm", "ohm"}, {"_s", "s"},       {"_minutes", "min"}, {"_dbfs", "dBFS"},
    {"_db", "dB"},   {"_percent", "%"}, {"_c", "°C"},
};

template <std::size_t N>
const Label* find(const Label (&labels)[N], std::string_view key) {
  const auto* found = std::find_if(std::begin(labels), std::end(labels),
                                   [&](const Label& l) { return l.key == key; });
  return found == std::end(labels) ? nullptr : found;
}

std::string spaced(std::string text) {
  std::replace(text.begin(), text.end(), '_', ' ');
  return text;
}

std::string quantity(double value, std::string_view unit) {
  if (unit == "Hz" && value >= 1000) return fmt::format("{} kHz", short_number(value / 1000));
  return unit.empty() ? short_number(value) : fmt::format("{} {}", short_number(value), unit);
}

}  // namespace

std::string reading_label(const std::string& key) {
  if (const Label* label = find(kReadings, key)) return std::string(label->text);
  // "distortion_limited_output_0.1_percent": a known key at a stated value.
  for (const Label& label : kReadings) {
    const std::size_t length = label.key.size();
    if (key.starts_with(label.key) && key.size() > length + 1 && key[length] == '_' &&
        std::isdigit(static_cast<unsigned char>(key[length + 1])) != 0) {
      std::string value = key.substr(length + 1);
      if (value.ends_with("_percent")) value.replace(value.size() - 8, 8, " %");
      if (value.ends_with("_db")) value.replace(value.size() - 3, 3, " dB");
      return fmt::format("{}, {}", label.text, printable(spaced(value)));
    }
  }
  return printable(key);
}

std::string measurement_label(const std::string& measurement) {
  const Label* label = find(kMeasurements, measurement);
  return label != nullptr ? std::string(label->text) : printable(measurement);
}

std::string findings_title(const Findings& findings) {
  std::string title = measurement_label(findings.measurement);
  for (const Condition& condition : findings.conditions) {
    const std::string* state = std::get_if<std::string>(&condition.value);
    if (condition.key == "state" && state != nullptr) title += " (" + printable(*state) + ')';
  }
  return title;
}

std::string channel_label(const std::string& channel) {
  if (channel == "left") return "Left";
  if (channel == "right") return "Right";
  if (channel == "pair") return "Left against right";
  if (!channel.empty() && std::isdigit(static_cast<unsigned char>(channel.front())) != 0) {
    return "Channel " + printable(channel);
  }
  return printable(channel);
}

std::string channel_mark(const std::string& channel) {
  if (channel == "left") return "L";
  if (channel == "right") return "R";
  if (channel == "pair") return "L/R";
  return printable(channel);
}

std::string limit_label(const std::string& limited_by) {
  constexpr std::string_view own[] = {"sound_card", "record_length", "divider"};
  const bool takes_article = std::find(std::begin(own), std::end(own), limited_by) != std::end(own);
  return fmt::format("limited by {}{}", takes_article ? "the " : "", printable(spaced(limited_by)));
}

std::string condition_text(const Condition& condition) {
  std::string name = condition.key;
  std::string_view unit;
  for (const Label& ending : kUnitEndings) {
    if (name.size() > ending.key.size() && name.ends_with(ending.key)) {
      name.resize(name.size() - ending.key.size());
      unit = ending.text;
      break;
    }
  }
  name = printable(spaced(name));
  if (const auto* flag = std::get_if<bool>(&condition.value)) {
    return fmt::format("{} {}", name, *flag ? "yes" : "no");
  }
  if (const auto* value = std::get_if<double>(&condition.value)) {
    return fmt::format("{} {}", name, quantity(*value, unit));
  }
  if (const auto* text = std::get_if<std::string>(&condition.value)) {
    return fmt::format("{} {}", name, printable(*text));
  }
  if (const auto* list = std::get_if<std::vector<double>>(&condition.value)) {
    std::string joined;
    const char* separator = condition.key == "band_hz" ? " to " : ", ";
    for (const double each : *list) {
      joined += (joined.empty() ? "" : separator) + quantity(each, unit);
    }
    return fmt::format("{} {}", name, joined);
  }
  return {};
}

bool has_lines(const std::string& curve_key) {
  return curve_key == "hum_lines" || curve_key == "lines";
}

std::string printable(const std::string& text) {
  std::string safe = text;
  for (char& c : safe) {
    const auto code = static_cast<unsigned char>(c);
    if (code < 0x20 || code == 0x7f) c = '?';
  }
  return safe;
}

}  // namespace sinewright
