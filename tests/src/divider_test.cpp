#include "bench/divider.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <sstream>
#include <stdexcept>
#include <vector>

#include "bench/profile.h"
#include "findings/error.h"
#include "program_run.h"
#include "report/divider_text.h"
#include "report/wiring_svg.h"
#include "within.h"

using namespace sinewright;

namespace {

/// Requests over all that a bench meets: 10 to 400 W, 4 and 8 ohm, both series, inputs of 1 and 4
/// V.
std::vector<DividerRequest> many_requests() {
  std::vector<DividerRequest> all;
  for (const double power_w : {10.0, 62.0, 150.0, 400.0}) {
    for (const double load_ohm : {4.0, 8.0}) {
      for (const ESeries series : {ESeries::kE24, ESeries::kE96}) {
        for (const double input_v : {1.0, 4.0}) {
          for (const bool is_bridged : {false, true}) {
            DividerRequest request;
            request.power_w = power_w;
            request.load_ohm = load_ohm;
            request.is_bridged = is_bridged;
            request.resistor.series = series;
            request.input_full_scale_vrms = input_v;
            request.rail_v = 1.3 * terminal_peak_v(request);
            all.push_back(request);
          }
        }
      }
    }
  }
  return all;
}

ProgramRun run(const std::string& arguments) { return run_program("divider " + arguments); }

const std::string kUsual = "--power-watts 62 --rail-volts 42 --input-full-scale-volts 2 ";

}  // namespace

TEST_CASE("the wanted level never exceeds full scale minus the margin, even at worst tolerance") {
  for (const DividerRequest& request : many_requests()) {
    CAPTURE(request.power_w);
    CAPTURE(request.load_ohm);
    CAPTURE(request.input_full_scale_vrms);
    const DividerDesign design = design_divider(request);
    REQUIRE(design.ranges.size() == 2);
    const std::array levels_w = {request.power_w, request.low_w};
    for (std::size_t i = 0; i < 2; ++i) {
      const RangeDesign& range = design.ranges[i];
      const double input_vrms = terminal_vrms(request, levels_w[i]) / range.bounds.low;
      const double headroom_db = 20 * std::log10(request.input_full_scale_vrms / input_vrms);
      CHECK(headroom_db >= request.margin_db - 1e-9);
    }
    CHECK(design.ranges[0].ratio >= design.ranges[1].ratio);
  }
}

TEST_CASE("no part is asked for more than half of what it bears") {
  for (const DividerRequest& request : many_requests()) {
    CAPTURE(request.power_w);
    CAPTURE(request.rail_v);
    for (const RangeDesign& range : design_divider(request).ranges) {
      CAPTURE(range.name);
      // Reckoned here once more, from the values alone.
      const double top_ohm = range.pair.top_each_ohm * range.pair.top_count;
      const double each_w = request.rail_v * request.rail_v / top_ohm / range.pair.top_count;
      CHECK(each_w <= request.resistor.rated_w / 2);
      CHECK(range.bottom_rail_w <= request.resistor.rated_w / 2);
      CHECK(request.rail_v / range.pair.top_count <= request.resistor.rated_v / 2);
      CHECK(request.rail_v / top_ohm <= 0.02);
      CHECK(range.top_full_power_w <= each_w);
      CHECK(range.top_peak_v <= 25);
      CHECK(range.source_ohm <= (range.name == "high" ? 500 : 2000));
      CHECK(range.clamp.clean_dbfs >= 0);
      CHECK(range.clamp.fault_a <= range.clamp.clamp.diode.continuous_a);
    }
  }
}

TEST_CASE("more power, more margin or hotter parts never ask for less") {
  DividerRequest request;
  request.rail_v = 120;
  double least = 0;
  // Steps of 2 dB: neighbours in a series, and a resistor less, blur finer ones.
  for (double power_w = 10; power_w < 600; power_w *= 1.585) {
    request.power_w = power_w;
    const double ratio = design_divider(request).ranges[0].ratio;
    CHECK(ratio >= least);  // equal where the rails, not the power, ask for it
    least = ratio;
  }
  CHECK(least > 40);  // 500 W: 63 V RMS and 3 dB on 2 V
  request.power_w = 100;
  request.margin_db = 0;
  const double without = design_divider(request).ranges[0].ratio;
  request.margin_db = 6;
  CHECK(design_divider(request).ranges[0].ratio > 1.9 * without);
  request.margin_db = 3;
  request.rail_v = 60;
  request.ambient_c = 40;
  const RangeDesign cool = design_divider(request).ranges[1];
  request.ambient_c = 120;
  const RangeDesign hot = design_divider(request).ranges[1];
  CHECK(within(hot.allowed_w, 0.4 * cool.allowed_w, 1e-12));
  CHECK(hot.pair.top_count > cool.pair.top_count);
}

TEST_CASE("the pair found is the best of a plain search") {
  DividerRequest request;
  const double wanted = 20;
  const ResistorPair found = find_pair(request, wanted, 500);
  const auto worst_ratio = [&](const ResistorPair& pair) {
    return ratio_bounds({pair.top_each_ohm * pair.top_count, pair.bottom_ohm, request.input_ohm},
                        request.resistor.tolerance_percent)
        .low;
  };
  const auto values = values_between(ESeries::kE24, 10, 1e6);
  for (const double each_ohm : values) {
    for (const double bottom_ohm : values) {
      const ResistorPair pair{each_ohm, found.top_count, bottom_ohm};
      const double source = source_ohm({each_ohm * found.top_count, bottom_ohm, request.input_ohm});
      const double each_w = std::pow(request.rail_v / found.top_count, 2) / each_ohm;
      if (worst_ratio(pair) < wanted || source > 500 || source < 100 || each_w > 0.3) continue;
      CHECK(worst_ratio(pair) >= worst_ratio(found));
    }
  }
}

TEST_CASE("the figures of the worked divider") {
  // R1 10 kohm, R2 300 ohm on 10 kohm, 100 W into 8 ohm; see tests/reference/divider_test.cpp.
  DividerRequest request;
  request.cable_pf = 1000;
  request.card_noise_dbfs = -100;
  const RangeDesign range = evaluate_range(request, "high", {5000, 2, 300}, 20);
  CHECK(within(range.loading_db, -0.249, 0.0005));
  CHECK(within(range.pole_hz, 562e3, 500));
  CHECK(within(range.shunt_percent, 0.078, 0.0005));
  // 800 V^2 * 10 kohm / (10 kohm + 300 || 10 kohm)^2; 75.4 mW without the input.
  CHECK(within(2 * range.top_full_power_w, 0.07553, 0.00001));
  CHECK(within(range.open_full_power_v, 14.14, 0.005));  // half of 28.28 V
  CHECK(within(range.full_scale_vrms, 2 * range.ratio, 1e-12));
  // -100 dBFS of 2 V is 20 uV; times 35.3, relative to the 2.828 V of 1 W: -72 dB.
  CHECK(within(range.noise_db.value_or(0), 20 * std::log10(20e-6 * range.ratio / 2.82843), 0.01));
}

TEST_CASE("pads come near what is asked, from a low source") {
  for (const DividerRequest& request : many_requests()) {
    const DividerDesign design = design_divider(request);
    REQUIRE(design.pads.size() == 2);
    for (const PadDesign& pad : design.pads) {
      CHECK(within(pad.attenuation_db, pad.wanted_db, 0.5));
      CHECK(pad.source_ohm <= (pad.name == "line" ? 1000 : 100));
      // Kirchhoff, once more: output resistance and R3 above, R4 beside the load below.
      const double below_ohm = 1 / (1 / pad.bottom_ohm + 1 / request.pad_load_ohm);
      const double volts = request.output_full_scale_vrms * below_ohm /
                           (below_ohm + pad.top_ohm + request.output_ohm);
      CHECK(within(pad.full_scale_vrms, volts, 1e-9));
    }
  }
}

TEST_CASE("what cannot be designed is refused by name") {
  const auto refused = [](auto change) {
    DividerRequest request;
    change(request);
    CHECK_THROWS_AS((void)design_divider(request), std::invalid_argument);
  };
  refused([](DividerRequest& r) { r.rail_v = 39; });  // 100 W into 8 ohm peaks at 40 V
  refused([](DividerRequest& r) { r.rail_v = -55; });
  refused([](DividerRequest& r) { r.load_ohm = 0; });
  refused([](DividerRequest& r) { r.input_full_scale_vrms = std::nan(""); });
  refused([](DividerRequest& r) { r.low_w = 101; });
  DividerRequest bridged;
  bridged.is_bridged = true;
  bridged.rail_v = 21;  // 20 V a terminal
  CHECK_NOTHROW((void)design_divider(bridged));
  DividerRequest oven;
  oven.ambient_c = 150;
  CHECK_THROWS_AS((void)design_divider(oven), Error);
}

TEST_CASE("the profile it prints is one that reads back") {
  DividerRequest request;
  const DividerDesign design = design_divider(request);
  const std::string text =
      "version = 1\nname = \"x\"\n[sound_card]\nsample_rate_hz = 48000\n"
      "input_full_scale_vrms = 2.0\noutput_full_scale_vrms = 2.0\n" +
      divider_profile(design) +
      "[load]\nresistance_ohm = 8.0\nrated_w = 100.0\n[limits]\npower_limit_w = 80.0\n";
  const Profile profile = parse_profile(text, "x");
  for (std::size_t i = 0; i < profile.ranges.size(); ++i) {
    // A bound, to four digits; of nothing at all where the loss is.
    CHECK(profile.ranges[i].loss_20khz_db >= design.ranges[i].loss_20k_db);
    CHECK(profile.ranges[i].loss_20khz_db < design.ranges[i].loss_20k_db + 1.01e-4);
  }
  REQUIRE(profile.ranges.size() == 2);
  for (std::size_t i = 0; i < 2; ++i) {
    CHECK(profile.ranges[i].name == design.ranges[i].name);
    // Five digits are printed.
    CHECK(within(profile.ranges[i].ratio / design.ranges[i].ratio, 1, 5e-5));
  }
}

TEST_CASE("text fits 80 columns, and warns of what kills") {
  for (DividerRequest request : many_requests()) {
    request.card_noise_dbfs = -104.5;
    const std::string text = divider_text(design_divider(request), TextStyle{});
    std::istringstream lines(text);
    bool is_profile = false;
    for (std::string line; std::getline(lines, line);) {
      CAPTURE(line);
      is_profile = is_profile || line == "For the bench profile";
      CHECK((is_profile || display_width(line) <= 80));
    }
    CHECK(text.find("capacitors hold") != std::string::npos);
    CHECK((text.find("both terminals are live") != std::string::npos) == request.is_bridged);
    const std::string svg = wiring_svg(design_divider(request));
    CHECK((svg.find("BRIDGED") != std::string::npos) == request.is_bridged);
    CHECK(svg.find("nan") == std::string::npos);
  }
}

TEST_CASE("the command prints, writes and refuses") {
  const ProgramRun plain = run(kUsual);
  CHECK(plain.code == 0);
  CHECK(plain.out.find("[[range]]") != std::string::npos);
  CHECK(run(kUsual).out == plain.out);
  const TemporaryFolder folder;
  const ProgramRun files = run(kUsual + "--json --output '" + (folder / "a.svg") + "' --output '" +
                               (folder / "a.txt") + "'");
  CHECK(files.code == 0);
  CHECK(nlohmann::json::parse(files.out).at("ranges").size() == 2);
  CHECK(contents_of(folder / "a.svg").starts_with("<svg "));
  CHECK(contents_of(folder / "a.txt") == plain.out);

  struct Row {
    std::string arguments, names;
  };
  const std::vector<Row> rows = {
      {"", "--power-watts is missing"},
      {"--power-watts 62 --rail-volts 42", "--input-full-scale-volts is missing"},
      {"--power-watts 62 --input-full-scale-volts 2", "--rail-volts is missing"},
      {"--power-watts 62 --input-full-scale-volts 2 --rail-volts -42", "--rail-volts -42: below 1"},
      {"--power-watts 62 --input-full-scale-volts 2 --rail-volts 30", "cannot give; measure"},
      {kUsual + "--low-watts 63", "--low-watts 63: above --power-watts"},
      {kUsual + "--series e13", "--series e13: unknown"},
      {kUsual + "--output x.csv", "use .svg, .txt or .json"},
      {kUsual + "--load-ohm nan", "--load-ohm nan: not a number"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.arguments);
    const ProgramRun outcome = run(row.arguments);
    CAPTURE(outcome.error);
    CHECK(outcome.code == 2);
    CHECK(outcome.out.empty());
    CHECK(outcome.error.starts_with("sinewright: "));
    CHECK(outcome.error.find(row.names) != std::string::npos);
    CHECK(outcome.error.find('\n') == outcome.error.size() - 1);
  }
}
