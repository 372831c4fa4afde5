#include "bench/e_series.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <stdexcept>

namespace sinewright {
namespace {

constexpr std::array kE12Hundredths = {100, 120, 150, 180, 220, 270, 330, 390, 470, 560, 680, 820};

constexpr std::array kE24Hundredths = {100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300,
                                       330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820, 910};

constexpr std::array kE96Hundredths = {
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143,
    147, 150, 154, 158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210,
    215, 221, 226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
    316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453,
    464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604, 619, 634, 649, 665,
    681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976};

constexpr double kLowest_ohm = 0.01, kHighest_ohm = 1e9;
constexpr int kLowestDecade = -2, kHighestDecade = 9;

// Dividing by a whole power of ten rounds once; multiplying by 0.01 would round twice.
double value_ohm(int hundredths, int decade) {
  const double scale = std::pow(10, std::abs(decade - 2));
  return decade >= 2 ? hundredths * scale : hundredths / scale;
}

}  // namespace

const char* name_of(ESeries series) {
  switch (series) {
    case ESeries::kE12:
      return "E12";
    case ESeries::kE24:
      return "E24";
    case ESeries::kE96:
      break;
  }
  return "E96";
}

double usual_tolerance_percent(ESeries series) {
  switch (series) {
    case ESeries::kE12:
      return 10;
    case ESeries::kE24:
      return 5;
    case ESeries::kE96:
      break;
  }
  return 1;
}

std::span<const int> decade_of(ESeries series) {
  switch (series) {
    case ESeries::kE12:
      return kE12Hundredths;
    case ESeries::kE24:
      return kE24Hundredths;
    case ESeries::kE96:
      break;
  }
  return kE96Hundredths;
}

std::vector<double> values_between(ESeries series, double low_ohm, double high_ohm) {
  if (!(low_ohm >= kLowest_ohm && low_ohm <= high_ohm && high_ohm <= kHighest_ohm)) {
    throw std::invalid_argument(fmt::format("low_ohm {}, high_ohm {}: not in order within {} to {}",
                                            low_ohm, high_ohm, kLowest_ohm, kHighest_ohm));
  }
  std::vector<double> values;
  for (int decade = kLowestDecade; decade <= kHighestDecade; ++decade) {
    for (const int hundredths : decade_of(series)) {
      const double ohm = value_ohm(hundredths, decade);
      if (ohm >= low_ohm && ohm <= high_ohm) values.push_back(ohm);
    }
  }
  return values;
}

}  // namespace sinewright
