// What the parts of a simulated bench truly are: marked values are one thing, parts another.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace sinewright {

/// Factors on the scenario's values, 1 where a part is as marked. [0] left, [1] right.
struct BenchParts {
  std::array<double, 2> input_scale{1, 1};   ///< on the sound card's input full scale
  std::array<double, 2> output_scale{1, 1};  ///< on its output full scale
  /// On the divider's ratio, by range in the scenario's order; ranges beyond are as marked.
  std::vector<std::array<double, 2>> ratio_scale;
  std::array<double, 2> load_scale{1, 1};
  double voltmeter_gain = 1;  ///< what the technician's meter makes of a volt
  double ohmmeter_gain = 1;
  double lead_ohm = 0;         ///< of the ohmmeter's leads
  double volt_resolution = 0;  ///< display step in volts; 0: exact
  double ohm_resolution = 0;

  [[nodiscard]] std::array<double, 2> ratio(std::size_t range) const {
    return range < ratio_scale.size() ? ratio_scale[range] : std::array<double, 2>{1, 1};
  }
};

/// How far parts and meter may be off; each draw is uniform within.
struct PartTolerances {
  double sound_card_percent = 5;  ///< channels alike, and 1 % between them
  double divider_percent = 2;     ///< two 1 % resistors
  double load_percent = 2;
  double voltmeter_percent = 0.8;
  double volt_resolution = 0.001;
  double ohmmeter_percent = 0.5;
  double ohm_resolution = 0.01;
  double lead_ohm = 0.2;  ///< 0 to this
};

/// Parts drawn at random, the same for the same seed. Invented, not any maker's figures.
[[nodiscard]] BenchParts random_parts(std::uint64_t seed, std::size_t ranges,
                                      const PartTolerances& tolerances = {});

}  // namespace sinewright
