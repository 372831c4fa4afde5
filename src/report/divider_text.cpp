#include "report/divider_text.h"

#include <fmt/format.h>

#include <cmath>
#include <functional>
#include <utility>

#include "report/numbers.h"

namespace sinewright {
namespace {

constexpr int kColumns = 80;
constexpr double kFarAbove_db = 1;  // a ratio that far above the wanted one needs a word

using Row = std::pair<std::string, std::function<std::string(const RangeDesign&)>>;

std::string volts(double value) { return format_value(value, Unit::kVolt); }
std::string watts(double value) { return format_value(value, Unit::kWatt); }

std::string decibels(double value) { return fmt::format("{:.2f} dB", value); }

/// "-0.40 dBFS", and words where it is above full scale.
std::string dbfs(double value) {
  return value > 0 ? fmt::format("{:+.1f} dBFS: overload", value)
                   : fmt::format("{:.2f} dBFS", value);
}

double db_of(double ratio) { return 20 * std::log10(ratio); }

std::string hertz(double value) {
  return value >= 1e6 ? significant(value / 1e6, 3) + " MHz" : significant(value / 1e3, 3) + " kHz";
}

std::vector<Row> rows(const DividerRequest& request) {
  using R = const RangeDesign&;
  std::vector<Row> all = {
      {"R1, from plus to the tap", [](R r) { return top_text(r.pair); }},
      {"R2, from the tap to minus", [](R r) { return ohm_text(r.pair.bottom_ohm); }},
      {"ratio, input connected", [](R r) { return significant(r.ratio, 4); }},
      {fmt::format("- {} % resistors", short_number(request.resistor.tolerance_percent)),
       [](R r) { return significant(r.bounds.low, 4) + " to " + significant(r.bounds.high, 4); }},
      {"- the input takes", [](R r) { return fmt::format("{:.3f} dB", r.loading_db); }},
      {"full scale at a terminal",
       [](R r) { return significant(r.full_scale_vrms, 4) + " V RMS"; }},
      {"- that is, in the load", [](R r) { return significant(r.full_scale_w, 4) + " W"; }},
      {"full power reads", [](R r) { return dbfs(r.full_power_dbfs); }},
      {"clipping at the rails peaks at", [](R r) { return dbfs(r.clipping_dbfs); }},
      {"full power: one of R1, R2",
       [](R r) { return watts(r.top_full_power_w) + ", " + watts(r.bottom_full_power_w); }},
      {"rail as DC: one of R1, R2",
       [](R r) { return watts(r.top_rail_w) + ", " + watts(r.bottom_rail_w); }},
      {"- of allowed, each (half, derated)", [](R r) { return watts(r.allowed_w); }},
      {"- volts across one of R1", [](R r) { return volts(r.top_rail_v); }},
      {"- step at the input", [](R r) { return volts(r.rail_v); }},
      {"third harmonic of R1, 1 ppm/V", [](R r) { return decibels(r.voltage_dbc); }},
      {"source resistance", [](R r) { return ohm_text(std::round(r.source_ohm)); }},
      {"- its noise, 20 Hz - 20 kHz", [](R r) { return volts(r.thermal_vrms); }},
      {"- that is, re 1 W", [](R r) { return fmt::format("{:.1f} dB", r.thermal_db); }},
  };
  if (request.card_noise_dbfs) {
    all.push_back({"- with the sound card's noise",
                   [](R r) { return fmt::format("{:.1f} dB", r.noise_db.value_or(0)); }});
  }
  const std::vector<Row> rest = {
      {fmt::format("-3 dB with {} pF", short_number(request.cable_pf)),
       [](R r) { return hertz(r.pole_hz); }},
      {"- loss at 20 kHz", [](R r) { return fmt::format("{:.4f} dB", r.loss_20k_db); }},
      {"watts that the divider takes",
       [](R r) { return fmt::format("{:.3f} %", r.shunt_percent); }},
      {"R2 open: full power at the input",
       [](R r) { return significant(r.open_full_power_v, 3) + " V RMS"; }},
      {"- rail", [](R r) { return significant(r.open_rail_v, 3) + " V"; }},
      {"- red LEDs in series, each way",
       [](R r) { return std::to_string(r.clamp.clamp.in_series); }},
      {"- they hold the input at",
       [](R r) {
         return fmt::format("{:.1f} V, {:.1f} mA", r.clamp.fault_v, r.clamp.fault_a * 1e3);
       }},
      {"- they are clean up to, peak",
       [](R r) { return fmt::format("{:+.1f} dBFS", r.clamp.clean_dbfs); }},
      {"- one silicon pair, only up to",
       [](R r) { return fmt::format("{:.1f} dBFS", r.silicon_pair_dbfs); }},
  };
  all.insert(all.end(), rest.begin(), rest.end());
  return all;
}

std::string range_table(const DividerDesign& design, const TextStyle& style) {
  using Align = TextTable::Align;
  TextTable table({Align::kLeft, Align::kRight, Align::kRight});
  std::vector<std::string> heading = {"each channel"};
  for (const RangeDesign& range : design.ranges) heading.push_back("range " + range.name);
  table.add(heading);
  for (const auto& [name, cell] : rows(design.request)) {
    std::vector<std::string> row = {name};
    for (const RangeDesign& range : design.ranges) row.push_back(cell(range));
    table.add(row);
  }
  return table.render(style);
}

std::string pad_table(const DividerDesign& design, const TextStyle& style) {
  using Align = TextTable::Align;
  TextTable table({Align::kLeft, Align::kRight, Align::kRight, Align::kRight, Align::kRight,
                   Align::kRight, Align::kRight, Align::kRight});
  table.add({"pad", "R3", "R4", "loses", "full scale", "source", "noise", "loads"});
  for (const PadDesign& pad : design.pads) {
    table.add({pad.name, ohm_text(pad.top_ohm), ohm_text(pad.bottom_ohm),
               decibels(pad.attenuation_db), volts(pad.full_scale_vrms),
               ohm_text(std::round(pad.source_ohm)), volts(pad.thermal_vrms),
               ohm_text(std::round(pad.card_load_ohm / 10) * 10)});
  }
  return table.render(style);
}

constexpr const char* kDrawing = R"(
  amplifier +  o------+----[ R1 ]----+----------+---------o  tip      input of
                      |              |          |                     the sound
                   [ load ]       [ R2 ]     [ LEDs ]                 card
                      |              |          |
  amplifier -  o------+--------------+----------+---------o  screen
                      |
                  chassis: with a meter, check it for BOTH minus terminals

  sound card   tip o-----[ R3 ]------+--------------------o  tip      line or
  output                             |                                phono
                                  [ R4 ]                              input
                                     |
            screen o-----------------+--------------------o  screen
)";

constexpr const char* kBridgedDrawing = R"(
 terminal A   o----+----[ R1 ]------+----------+---------o  tip      LEFT input
                   |                |          |                     of the
                   |             [ R2 ]     [ LEDs ]                 sound card
                   |                |          |
                [ load ]         chassis ------+---------o  screen
                   |                |          |
                   |             [ R2 ]     [ LEDs ]
                   |                |          |
 terminal B   o----+----[ R1 ]------+----------+---------o  tip      RIGHT input

 Neither terminal goes to chassis or screen. Load volts = left minus right.

  sound card   tip o-----[ R3 ]------+--------------------o  tip      line or
  output                             |                                phono
                                  [ R4 ]                              input
                                     |
            screen o-----------------+--------------------o  screen
)";

std::string heading(const DividerRequest& request) {
  const ResistorKind& kind = request.resistor;
  return wrapped(fmt::format("Divider for {} W into {} Ω ({} V RMS, {} V peak at {}), rails {} V.",
                             short_number(request.power_w), short_number(request.load_ohm),
                             significant(terminal_vrms(request, request.power_w), 4),
                             significant(terminal_peak_v(request), 4),
                             request.is_bridged ? "each terminal, bridged" : "the terminals",
                             short_number(request.rail_v)),
                 "", kColumns) +
         wrapped(
             fmt::format("Input {} V RMS full scale, {}; margin {} dB; {}, {} %, {} W, {} V "
                         "metal film at {} °C.",
                         short_number(request.input_full_scale_vrms), ohm_text(request.input_ohm),
                         short_number(request.margin_db), name_of(kind.series),
                         short_number(kind.tolerance_percent), short_number(kind.rated_w),
                         short_number(kind.rated_v), short_number(request.ambient_c)),
             "", kColumns);
}

std::string range_purpose(const DividerDesign& design) {
  const RangeDesign& low = design.ranges.back();
  return fmt::format(
      "High: for power and distortion, always the one to start with. Low: for hum, noise and up to "
      "{} W: connect it when the output idles and its DC is small, never with more than {} W to "
      "come.",
      short_number(design.request.low_w), significant(low.full_scale_w, 3));
}

}  // namespace

std::string ohm_text(double ohm) {
  if (ohm >= 1e6) return short_number(ohm / 1e6) + " MΩ";
  if (ohm >= 1e3) return short_number(ohm / 1e3) + " kΩ";
  return short_number(ohm) + " Ω";
}

std::string top_text(const ResistorPair& pair) {
  const std::string each = ohm_text(pair.top_each_ohm);
  return pair.top_count == 1 ? each : fmt::format("{} × {}", pair.top_count, each);
}

std::vector<std::string> divider_cautions(const DividerDesign& design) {
  const DividerRequest& request = design.request;
  std::vector<std::string> cautions;
  if (request.is_bridged) {
    cautions.push_back(
        "Bridged output: both terminals are live. Neither ever touches chassis, a screen or the "
        "minus of a divider: the sound card would short it. One divider per terminal, each to an "
        "input channel of its own; watts are (left minus right)² / load. One channel alone reads a "
        "quarter of them.");
    const RatioBounds& bounds = design.ranges.front().bounds;
    cautions.push_back(fmt::format(
        "What both terminals share (half the supply, ripple) is rejected only as well as the "
        "dividers match: {:.0f} dB at worst with these tolerances. Select or trim them alike.",
        db_of(1 / (bounds.high / bounds.low - 1))));
  } else {
    cautions.push_back(
        "The sound card joins both minus terminals. Check with a meter that both are at chassis "
        "and "
        "that the output is not bridged; if it is, design with --bridged.");
  }
  cautions.push_back(
      "Rails kill, and reservoir capacitors hold their charge: discharge them, verify with a "
      "meter, "
      "place clips with the power off. Local codes and licensed practice prevail.");
  cautions.push_back(fmt::format(
      "A fault may put {} V on the output: measure its DC before the divider is connected.",
      short_number(request.rail_v)));
  cautions.push_back(
      "If R2 opens, R1 and the input alone divide: the last lines of the table. The LEDs hold the "
      "input; keep them dark, for light makes them conduct. Or make R2 of two in parallel, each of "
      "twice the ohms: one that opens then at most doubles the volts.");
  cautions.push_back(
      "Prove that the clamps stay out of the residual: loopback near full scale with and without "
      "them must read the same THD.");
  const RangeDesign& high = design.ranges.front();
  if (high.clipping_dbfs > 0) {
    cautions.push_back(fmt::format(
        "An amplifier clipping at its rails overloads the high range by {:.1f} dB; raise "
        "--margin-db by as much if it is to be measured there.",
        high.clipping_dbfs));
  }
  for (const RangeDesign& range : design.ranges) {
    const double excess_db = db_of(range.bounds.low / range.wanted_ratio);
    if (excess_db < kFarAbove_db) continue;
    cautions.push_back(fmt::format(
        "Range {} attenuates {:.1f} dB more than the level asks for: the rails need a larger R1. "
        "Resistors of more watts, or a higher --{}-source-ohm, win some of it back.",
        range.name, excess_db, range.name));
  }
  if (request.card_noise_dbfs && high.noise_db) {
    const RangeDesign& low = design.ranges.back();
    cautions.push_back(
        fmt::format("Noise below {:.0f} dB re 1 W on high, {:.0f} dB on low, is the "
                    "bench's own, not the unit's.",
                    *high.noise_db, *low.noise_db));
  }
  return cautions;
}

std::string divider_profile(const DividerDesign& design) {
  const DividerRequest& request = design.request;
  std::string text = fmt::format(
      "# Nominal, computed from {} values with an input of {:.10g} ohm: calibrate each range with "
      "the\n"
      "# sound card connected before you trust it.\n",
      name_of(request.resistor.series), request.input_ohm);
  for (const RangeDesign& range : design.ranges) {
    text += fmt::format(
        "\n[[range]]                  # R1 {} x {:.10g} ohm, R2 {:.10g} ohm; full scale {} V "
        "RMS{}\n"
        "name = \"{}\"\nratio = {}\nloss_20khz_db = {:.4f}     # with {} pF; at most\n",
        range.pair.top_count, range.pair.top_each_ohm, range.pair.bottom_ohm,
        significant(range.full_scale_vrms, 3), request.is_bridged ? " a terminal" : "", range.name,
        significant(range.ratio, 5), std::ceil(range.loss_20k_db * 1e4) / 1e4,
        short_number(request.cable_pf));
  }
  return text;
}

std::string divider_text(const DividerDesign& design, const TextStyle& style) {
  std::string text = heading(design.request) + "\n" + range_table(design, style) + "\n";
  text += wrapped(range_purpose(design), "", kColumns) + "\n";
  text += wrapped(fmt::format("Drive side, into {} from an output of {} V RMS and {}; 5 mV on the "
                              "phono pad is {:.1f} dBFS:",
                              ohm_text(design.request.pad_load_ohm),
                              short_number(design.request.output_full_scale_vrms),
                              ohm_text(design.request.output_ohm),
                              db_of(0.005 / design.pads.back().full_scale_vrms)),
                  "", kColumns);
  text += pad_table(design, style);
  text += design.request.is_bridged ? kBridgedDrawing : kDrawing;
  text += "\n" + bold("Cautions", style) + "\n";
  for (const std::string& caution : divider_cautions(design)) {
    text += wrapped("- " + caution, "  ", kColumns);
  }
  return text + "\n" + bold("For the bench profile", style) + "\n" + divider_profile(design);
}

}  // namespace sinewright
