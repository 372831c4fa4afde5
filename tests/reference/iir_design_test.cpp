// Filters against scipy 1.10 (scipy.signal.ellip and butter, evaluated in zero-pole form).
#include "dsp/iir_design.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <stdexcept>

#include "within.h"

using namespace sinewright;

namespace {

struct Point {
  double frequency_hz;
  double gain_db;
  double phase_rad;
};

void check_response(std::span<const Biquad> sections, SampleRate fs,
                    std::span<const Point> points) {
  for (const Point& point : points) {
    const std::complex<double> h = response(sections, Hertz{point.frequency_hz}, fs);
    CAPTURE(point.frequency_hz);
    // Printed to ten decimals; deep in the stop band both sides lose a few digits.
    CHECK(within(db_of_amplitude_ratio(std::abs(h)), point.gain_db, 2e-9));
    CHECK(within(std::arg(h), point.phase_rad, 1e-9));
  }
}

}  // namespace

TEST_CASE("elliptic low-pass, odd order") {
  // z, p, k = ellip(7, 0.1, 80, 20000, fs=96000, output='zpk'); freqz_zpk(z, p, k, worN, fs)
  const Point points[] = {
      {1000, -0.0070674622, -0.2020856254},  {10000, -0.0053439753, -2.1473529007},
      {19000, -0.0913574908, 0.6895792546},  {20000, -0.1000000000, -0.2007116908},
      {21000, -5.0081705691, -1.5039648094}, {22000, -15.0012759814, -2.2934681187},
      {30000, -87.2251827643, -0.6126840928}};
  const SampleRate fs{96000};
  check_response(elliptic_low_pass(7, 0.1, 80, Hertz{20000}, fs), fs, points);
}

TEST_CASE("elliptic low-pass, even order") {
  // z, p, k = ellip(8, 0.01, 100, 20000, fs=48000, output='zpk')
  const Point points[] = {
      {1000, -0.0098305886, -0.0901583466},  {10000, -0.0000079042, -1.0645774047},
      {19000, -0.0058259816, 1.6853817520},  {20000, -0.0100000000, -0.3200996631},
      {20500, -9.3565496468, -2.6648976358}, {23000, -101.8964521160, -2.5261020681}};
  const SampleRate fs{48000};
  check_response(elliptic_low_pass(8, 0.01, 100, Hertz{20000}, fs), fs, points);
}

TEST_CASE("elliptic low-pass at a high rate") {
  // z, p, k = ellip(5, 0.5, 60, 80000, fs=768000, output='zpk')
  const Point points[] = {{20, -0.0000006389, -0.0008985617},
                          {80000, -0.5000000000, 1.4625418731},
                          {90000, -10.5680819940, 0.1674595391},
                          {100000, -21.5778602246, -0.2972091062}};
  const SampleRate fs{768000};
  check_response(elliptic_low_pass(5, 0.5, 60, Hertz{80000}, fs), fs, points);
}

TEST_CASE("Butterworth high-pass") {
  // Closed form: |H|^2 = 1 / (1 + (tan(pi fc/fs) / tan(pi f/fs))^(2 order)); at 10 Hz of 48 kHz the
  // tangents are their arguments to 1e-6.
  const SampleRate fs{48000};
  const auto sections = butterworth_high_pass(4, Hertz{10}, fs);
  for (const double f : {2.0, 5.0, 10.0, 20.0, 1000.0}) {
    const double ratio =
        std::tan(std::numbers::pi * 10 / fs.hz) / std::tan(std::numbers::pi * f / fs.hz);
    const double expected_db = -db_of_power_ratio(1 + std::pow(ratio, 8));
    CHECK(within(db_of_amplitude_ratio(std::abs(response(sections, Hertz{f}, fs))), expected_db,
                 1e-9));
  }
  CHECK(std::abs(response(sections, Hertz{0}, fs)) == 0);
}

TEST_CASE("a notch has its zero at its tone, from 5 Hz of 768 kHz to 20 kHz of 44.1 kHz") {
  struct Case {
    double center_hz, fs_hz;
  };
  for (const Case& c : {Case{5, 768000}, {20, 192000}, {997, 48000}, {20000, 44100}}) {
    CAPTURE(c.center_hz);
    const SampleRate fs{c.fs_hz};
    const Biquad section = notch(Hertz{c.center_hz}, 1.0, fs);
    CHECK(db_of_amplitude_ratio(std::abs(response(section, Hertz{c.center_hz}, fs))) < -280);
    CHECK(within(std::abs(response(section, Hertz{0}, fs)), 1, 1e-12));
    CHECK(within(std::abs(response(section, Hertz{c.fs_hz / 2}, fs)), 1, 1e-12));
  }
}

TEST_CASE("a notch costs the harmonics what the definition of Q says") {
  // Derived in the digest of definitions: a second-order notch loses 1.60 dB at the 2nd harmonic
  // for Q = 1, 0.21 dB for Q = 3; closed form 1 / sqrt(1 + (1/Q / (2 - 1/2))^2).
  const SampleRate fs{768000};
  const auto loss_db = [&](double q, double harmonic) {
    return db_of_amplitude_ratio(
        std::abs(response(notch(Hertz{100}, q, fs), Hertz{100 * harmonic}, fs)));
  };
  CHECK(within(loss_db(1, 2), -1.60, 0.005));  // printed to 0.01 dB
  CHECK(within(loss_db(3, 2), -0.21, 0.005));
  CHECK(within(loss_db(1, 3), -0.57, 0.005));
}

TEST_CASE("designs refuse impossible requests") {
  const SampleRate fs{48000};
  CHECK_THROWS_AS((void)elliptic_low_pass(0, 0.1, 80, Hertz{20000}, fs), std::invalid_argument);
  CHECK_THROWS_AS((void)elliptic_low_pass(7, 0.1, 0.05, Hertz{20000}, fs), std::invalid_argument);
  CHECK_THROWS_AS((void)elliptic_low_pass(7, 0.1, 80, Hertz{24000}, fs), std::invalid_argument);
  CHECK_THROWS_AS((void)butterworth_high_pass(3, Hertz{10}, fs), std::invalid_argument);
  CHECK_THROWS_AS((void)notch(Hertz{1000}, 0, fs), std::invalid_argument);
}
