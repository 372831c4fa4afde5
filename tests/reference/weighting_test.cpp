// Weightings against the tables of IEC 61672-1 and ITU-R BS.468-4 (sources in the tables' first
// lines).
#include "dsp/weighting.h"

#include <doctest/doctest.h>

#include <cmath>

#include "reference/reference_table.h"
#include "within.h"

using namespace sinewright;

namespace {

/// Gain in power of white noise from 20 Hz to 20 kHz, by the midpoint rule.
double white_noise_gain_db(Weighting weighting) {
  constexpr int kSteps = 20000;
  const double step_hz = (20000.0 - 20.0) / kSteps;
  double power = 0;
  for (int i = 0; i < kSteps; ++i) {
    const double gain = weighting_gain(weighting, Hertz{20 + (i + 0.5) * step_hz});
    power += gain * gain / kSteps;
  }
  return db_of_power_ratio(power);
}

}  // namespace

TEST_CASE("A-weighting agrees with IEC 61672-1") {
  for (const ReferenceRow& row : reference_table("a_weighting.csv")) {
    CAPTURE(row.at("nominal_hz"));
    const double n = number(row, "n");
    const Hertz exact{1000 * std::pow(10, (n - 30) / 10)};
    // The standard prints one decimal, the closed form four.
    CHECK(within(a_weighting_db(exact), number(row, "a_table_db"), 0.05));
    CHECK(within(a_weighting_db(exact), number(row, "a_formula_db"), 0.0001));
  }
  CHECK(a_weighting_gain(Hertz{1000}) == 1);
  CHECK(a_weighting_gain(Hertz{0}) == 0);
}

TEST_CASE("468 weighting agrees with ITU-R BS.468-4 Table 1") {
  for (const ReferenceRow& row : reference_table("itu_r_468.csv")) {
    CAPTURE(row.at("hz"));
    const double gain_db = itu_r_468_db(Hertz{number(row, "hz")});
    // One decimal in print; the worst row is known to lie 0.0502 dB off.
    CHECK(within(gain_db, number(row, "response_db"), 0.0503));
    CHECK(within(gain_db, number(row, "network_fig1a_db"), 0.00051));
  }
  CHECK(itu_r_468_gain(Hertz{0}) == 0);
}

TEST_CASE("the CCIR-RMS offset puts 0 dB at 2 kHz") {
  CHECK(within(ccir_rms_offset_db(), -5.629, 0.0005));  // +5.629 dB at 2 kHz, computed in the table
}

TEST_CASE("white noise loses and gains by weighting what the reference computes") {
  CHECK(within(white_noise_gain_db(Weighting::kNone), 0, 1e-9));
  CHECK(within(white_noise_gain_db(Weighting::kA), -2.0483, 0.0001));  // quantisation.csv
  CHECK(within(white_noise_gain_db(Weighting::k468), 7.30, 0.005));    // itu_r_468.csv
}
