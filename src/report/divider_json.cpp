// The design of a divider as JSON.
#include <nlohmann/json.hpp>

#include "report/divider_text.h"
#include "version.h"

namespace sinewright {
namespace {

using Json = nlohmann::ordered_json;

Json to_json(const DividerRequest& request) {
  Json json = {{"power_w", request.power_w},
               {"load_ohm", request.load_ohm},
               {"rail_v", request.rail_v},
               {"bridged", request.is_bridged},
               {"input_full_scale_vrms", request.input_full_scale_vrms},
               {"input_ohm", request.input_ohm},
               {"margin_db", request.margin_db},
               {"low_w", request.low_w},
               {"series", name_of(request.resistor.series)},
               {"tolerance_percent", request.resistor.tolerance_percent},
               {"resistor_rated_w", request.resistor.rated_w},
               {"resistor_rated_v", request.resistor.rated_v},
               {"cable_pf", request.cable_pf},
               {"ambient_c", request.ambient_c}};
  json["card_noise_dbfs"] = request.card_noise_dbfs ? Json(*request.card_noise_dbfs) : Json();
  return json;
}

Json to_json(const ClampDesign& design) {
  return {{"diode", design.clamp.diode.name},
          {"in_series", design.clamp.in_series},
          {"clean_dbfs", design.clean_dbfs},
          {"fault_v", design.fault_v},
          {"fault_a", design.fault_a}};
}

Json to_json(const RangeDesign& range) {
  return {{"name", range.name},
          {"top_each_ohm", range.pair.top_each_ohm},
          {"top_count", range.pair.top_count},
          {"bottom_ohm", range.pair.bottom_ohm},
          {"wanted_ratio", range.wanted_ratio},
          {"ratio", range.ratio},
          {"ratio_bounds", Json::array({range.bounds.low, range.bounds.high})},
          {"loading_db", range.loading_db},
          {"full_scale_vrms", range.full_scale_vrms},
          {"full_scale_w", range.full_scale_w},
          {"full_power_dbfs", range.full_power_dbfs},
          {"clipping_dbfs", range.clipping_dbfs},
          {"allowed_w", range.allowed_w},
          {"top_each_full_power_w", range.top_full_power_w},
          {"bottom_full_power_w", range.bottom_full_power_w},
          {"top_each_rail_w", range.top_rail_w},
          {"bottom_rail_w", range.bottom_rail_w},
          {"top_each_rail_v", range.top_rail_v},
          {"third_harmonic_1_ppm_per_v_dbc", range.voltage_dbc},
          {"input_full_power_vrms", range.full_power_vrms},
          {"input_rail_v", range.rail_v},
          {"input_open_full_power_vrms", range.open_full_power_v},
          {"input_open_rail_v", range.open_rail_v},
          {"source_ohm", range.source_ohm},
          {"thermal_noise_vrms", range.thermal_vrms},
          {"thermal_noise_re_1w_db", range.thermal_db},
          {"noise_re_1w_db", range.noise_db ? Json(*range.noise_db) : Json()},
          {"pole_hz", range.pole_hz},
          {"loss_20k_db", range.loss_20k_db},
          {"shunt_percent", range.shunt_percent},
          {"clamp", to_json(range.clamp)},
          {"silicon_pair_clean_dbfs", range.silicon_pair_dbfs}};
}

Json to_json(const PadDesign& pad) {
  return {{"name", pad.name},
          {"top_ohm", pad.top_ohm},
          {"bottom_ohm", pad.bottom_ohm},
          {"wanted_db", pad.wanted_db},
          {"attenuation_db", pad.attenuation_db},
          {"full_scale_vrms", pad.full_scale_vrms},
          {"source_ohm", pad.source_ohm},
          {"thermal_noise_vrms", pad.thermal_vrms},
          {"card_load_ohm", pad.card_load_ohm}};
}

template <typename T>
Json array_of(const std::vector<T>& all) {
  Json array = Json::array();
  for (const T& each : all) array.push_back(to_json(each));
  return array;
}

}  // namespace

std::string divider_json(const DividerDesign& design) {
  const Json json = {{"sinewright", kVersion},
                     {"request", to_json(design.request)},
                     {"ranges", array_of(design.ranges)},
                     {"pads", array_of(design.pads)},
                     {"cautions", divider_cautions(design)}};
  return json.dump(2) + "\n";
}

}  // namespace sinewright
