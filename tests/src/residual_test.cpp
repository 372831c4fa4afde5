// The sound card's own distortion and noise: which loopback tones count at an operating point.
#include "bench/residual.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <stdexcept>

#include "sample_loopback.h"
#include "within.h"

namespace sinewright {
namespace {

constexpr double kRounding = 1e-12;  // relative, a handful of double operations

double db_of_ratio(double ratio) { return 20 * std::log10(ratio); }
double mean_square(double dbfs) { return std::pow(10, dbfs / 10) / 2; }  // full-scale sine: 1/2

TEST_CASE("a residual is interpolated along a power law of level and frequency") {
  const SoundCardResidual residual = square_law();
  // Exact: in dB the law is straight. 2 kHz is midway between 1 and 4 kHz on a logarithmic axis.
  CHECK(within(db_of_ratio(residual.harmonic(0, 2, {1000, -12, -11.}).typical), -91, 1e-9));
  CHECK(within(db_of_ratio(residual.harmonic(1, 2, {2000, -12, -11.}).typical), -85, 1e-9));
  CHECK(within(db_of_ratio(residual.harmonic(1, 2, {500, -12, -11.}).typical), -91, 1e-9));
  // At the input's level, whatever was played.
  CHECK(within(db_of_ratio(residual.harmonic(0, 2, {1000, -12, -31.}).typical), -91, 1e-9));
}

TEST_CASE("the bound is the largest of all tones between both converters' levels") {
  const SoundCardResidual residual = square_law();
  const auto highest_db = [&](const OperatingPoint& at) {
    return db_of_ratio(residual.harmonic(0, 2, at).highest);
  };
  CHECK(within(highest_db({1000, -12, -11.}), -81, 1e-9));      // -21 and -1
  CHECK(within(highest_db({1000, -32, -31.}), -101, 1e-9));     // -41 and -21
  CHECK(within(highest_db({1000, -32, -10.}), -81, 1e-9));      // the output stands higher
  CHECK(within(highest_db({1000, -10, -31.}), -81, 1e-9));      // the input does
  CHECK(within(highest_db({1000, -22.01, -21.}), -101, 1e-9));  // on a level: that one alone
  CHECK(within(highest_db({2000, -32, -31.}), -89, 1e-9));      // the worse of both frequencies
  CHECK(within(highest_db({1000, -32, {}}), -101, 1e-9));       // not known: as the input
}

TEST_CASE("a point outside the loopback is not bracketed and takes the nearest tone") {
  const SoundCardResidual residual = square_law();
  CHECK(residual.harmonic(0, 2, {1000, -2, -1.}).is_bracketed);
  CHECK(residual.harmonic(0, 2, {1000, -42, -41.}).is_bracketed);
  const ResidualBound above = residual.harmonic(0, 2, {1000, -1, -0.5});
  CHECK_FALSE(above.is_bracketed);
  CHECK(within(db_of_ratio(above.highest), -81, 1e-9));
  const ResidualBound below = residual.harmonic(0, 2, {1000, -60, -59.});
  CHECK_FALSE(below.is_bracketed);
  CHECK(within(db_of_ratio(below.highest), -121, 1e-9));
  CHECK_FALSE(residual.harmonic(0, 2, {1000, -60, -31.}).is_bracketed);
  // A third of an octave beyond the outermost frequency is near enough, an octave is not.
  CHECK(residual.harmonic(0, 2, {800, -12, -11.}).is_bracketed);
  CHECK_FALSE(residual.harmonic(0, 2, {500, -12, -11.}).is_bracketed);
  CHECK_FALSE(residual.harmonic(0, 2, {8000, -12, -11.}).is_bracketed);
}

TEST_CASE("a harmonic that the loopback did not find counts with its floor") {
  const ResidualBound bound = square_law().harmonic(0, 7, {1000, -12, -11.});
  CHECK(within(db_of_ratio(bound.highest), -140, 1e-9));
  CHECK(within(bound.typical, 1e-7 / std::sqrt(3.0), 1e-19));  // rms of 0 to the floor
}

TEST_CASE("response and phase are relative, and interpolated on a logarithmic axis") {
  Loopback loopback;
  const double gains_db[] = {-3, -1, -2}, phases_deg[] = {170, -170, -150};
  const double frequencies_hz[] = {20, 200, 2000};
  for (std::size_t i = 0; i < 3; ++i) {
    loopback.tones.push_back(tone(frequencies_hz[i], -12, -12 + gains_db[i], -90));
    loopback.tones.back().phase_deg = phases_deg[i];
    loopback.tones.push_back(tone(frequencies_hz[i], -1, -9, -90));  // of no account
  }
  const SoundCardResidual residual(loopback);
  CHECK(within(residual.response_db(0, 2000, 200).value(), -1, kRounding));
  CHECK(within(residual.response_db(0, std::sqrt(20 * 200.), 200).value(), -1, kRounding));
  CHECK(within(residual.response_open_db(0, std::sqrt(20 * 200.)).value(), 1, kRounding));
  CHECK(residual.response_open_db(0, 200).value() == 0);
  CHECK(within(residual.phase_deg(std::sqrt(20 * 200.)).value(), 180, 1e-9));  // not 0
  CHECK(within(residual.phase_deg(std::sqrt(200 * 2000.)).value(), -160, 1e-9));
  CHECK(residual.response_db(0, 19.953, 200).has_value());  // ISO 266's 20 Hz
  CHECK_FALSE(residual.response_db(0, 19, 200).has_value());
  CHECK_FALSE(residual.response_db(0, 200, 2100).has_value());
  CHECK_FALSE(residual.response_open_db(1, 2100).has_value());
  CHECK_FALSE(residual.phase_deg(2100).has_value());
}

TEST_CASE("the input's noise stays, the output's follows the gain") {
  Loopback loopback;
  // Input -110 dBFS; output as read: a constant -106 dBFS and a part 90 dB below the tone.
  const double input_ms = mean_square(-110);
  const auto output_ms = [](double level_dbfs) {
    return mean_square(-106) + mean_square(level_dbfs - 90);
  };
  for (const double drive_dbfs : {-1., -21., -41.}) {
    const double total_ms = input_ms + output_ms(drive_dbfs - 2);
    loopback.tones.push_back(
        tone(1000, drive_dbfs, drive_dbfs - 2, -90, 10 * std::log10(2 * total_ms)));
  }
  loopback.input_noise_dbfs = {-110, -110};
  const OperatingPoint at{1000, -6, -14.};  // 8 dB of gain, the loop has -2
  const double expected_ms = input_ms + std::pow(10, 1.0) * output_ms(-16);
  const NoiseShare known = SoundCardResidual(loopback).noise(0, at);
  CHECK(within(known.least_ms / expected_ms, 1, 1e-9));
  CHECK(known.least_ms == known.most_ms);

  loopback.input_noise_dbfs.reset();
  const double loop_ms = input_ms + output_ms(-16);
  const NoiseShare open = SoundCardResidual(loopback).noise(0, at);
  CHECK(within(open.least_ms / loop_ms, 1, 1e-9));
  CHECK(within(open.most_ms / loop_ms, 10, 1e-8));
  const NoiseShare attenuated = SoundCardResidual(loopback).noise(0, {1000, -26, -14.});
  CHECK(within(attenuated.least_ms / loop_ms, 0.1, 1e-10));
  CHECK(within(attenuated.most_ms / loop_ms, 1, 1e-9));
  const NoiseShare undriven = SoundCardResidual(loopback).noise(0, {1000, -16, {}});
  CHECK(undriven.least_ms == 0);
  CHECK(within(undriven.most_ms / loop_ms, 1, 1e-9));
}

TEST_CASE("an input louder alone than in the loopback makes no negative share") {
  Loopback loopback;
  loopback.tones = {tone(1000, -10, -10, -90, -110)};
  loopback.input_noise_dbfs = {-109, -109};
  loopback.silent_noise_dbfs = {-111, -105};
  loopback.hum = {{2, {-100, -120}}};
  const SoundCardResidual residual(loopback);
  const NoiseShare share = residual.noise(0, {1000, 0, -40.});
  CHECK(share.least_ms == share.most_ms);
  CHECK(within(share.least_ms / mean_square(-109), 1, 1e-9));
  CHECK(within(residual.silent_noise(0).most_ms / mean_square(-109), 1, 1e-9));
  CHECK(within(residual.silent_noise(1).most_ms / mean_square(-105), 1, 1e-9));
  CHECK(within(residual.silent_noise(1).least_ms / mean_square(-109), 1, 1e-9));
  CHECK(within(residual.hum_rms(0, 2), 1e-5 / std::sqrt(2.0), 1e-17));
  CHECK(residual.hum_rms(0, 1) == 0);
}

/// Output and input with harmonics of `order`, o and i at 0 dBFS, that fall as the (order-1)th
/// power of the level; loop gain -1 dB, the divider takes 26 dB.
Loopback two_converters(int order, std::complex<double> o, std::complex<double> i,
                        double floor_dbc = -180) {
  constexpr double kDivider_db = 26;
  Loopback loopback;
  for (const double drive_dbfs : {-1., -6., -12., -20.}) {
    const auto law = [&](double dbfs) { return std::pow(10, dbfs * (order - 1) / 20); };
    for (const bool is_divided : {false, true}) {
      const double level_dbfs = drive_dbfs - 1 - (is_divided ? kDivider_db : 0);
      const std::complex<double> both = o * law(drive_dbfs) + i * law(level_dbfs);
      LoopbackTone made = tone(1000, drive_dbfs, level_dbfs, -300);
      for (LoopbackTone::Channel& channel : made.channels) {
        channel.floor_dbc = floor_dbc;
        channel.harmonics.clear();
        // Two that cancel are not seen.
        if (is_divided || std::abs(both) > 1e-12) {
          channel.harmonics.push_back(
              {order, db_of_ratio(std::abs(both)), std::arg(both) * 180 / std::acos(-1)});
        }
      }
      (is_divided ? loopback.output_tones : loopback.tones).push_back(made);
    }
  }
  return loopback;
}

TEST_CASE("output and input that cancel in the loopback are told apart by the divider") {
  constexpr double kOwn = 1e-4;
  const double at_1_db = std::pow(10, 1 / 20.);
  Loopback loopback = two_converters(2, kOwn, -kOwn * at_1_db);
  const OperatingPoint at{1000, -13, -6.};
  const double output = kOwn * std::pow(10, -6 / 20.);
  const double input = kOwn * std::pow(10, -12 / 20.);
  const ResidualBound bound = SoundCardResidual(loopback).harmonic(0, 2, at);
  CHECK(within(bound.parts[0] / output, 1, 1e-4));  // the floor's share
  CHECK(within(bound.parts[1] / input, 1, 1e-4));
  CHECK(within(bound.typical / std::hypot(output, input), 1, 1e-4));
  CHECK(bound.highest >= output + input);
  CHECK(bound.highest <= 1.12 * (output + input));  // 5 % in the wrong place, twice
  CHECK(bound.is_bracketed);
  CHECK_FALSE(SoundCardResidual(loopback).harmonic(0, 2, {1000, -2, 0.}).is_bracketed);
  // The loopback alone sees none of it.
  loopback.output_tones.clear();
  CHECK(SoundCardResidual(loopback).harmonic(0, 2, at).highest < 1e-8);
}

TEST_CASE("any phase between output and input, second and third order") {
  for (const int order : {2, 3}) {
    for (int turn = 0; turn < 12; ++turn) {
      CAPTURE(order);
      CAPTURE(turn);
      const std::complex<double> o = 1e-4, i = std::polar(7e-5, 0.1 + turn * 0.5236);
      const SoundCardResidual residual(two_converters(order, o, i));
      const ResidualBound bound = residual.harmonic(1, order, {1000, -9, -9.});
      const double law = std::pow(10, -9. * (order - 1) / 20);
      CHECK(within(bound.parts[0] / (std::abs(o) * law), 1, 0.001));
      CHECK(within(bound.parts[1] / (std::abs(i) * law), 1, 0.001));
      CHECK(bound.highest >= (std::abs(o) + std::abs(i)) * law);
      // Not known what was played: the output stood where the loopback has it.
      const ResidualBound recorded = residual.harmonic(1, order, {1000, -10, {}});
      CHECK(within(recorded.parts[0] / (std::abs(o) * law), 1, 0.001));
    }
  }
}

TEST_CASE("a divider's loop in which noise hides everything leaves what the loopback says") {
  const Loopback loud = two_converters(2, 1e-7, 1e-7, -110);
  Loopback alone = loud;
  alone.output_tones.clear();
  const OperatingPoint at{1000, -9, -9.};
  const ResidualBound with = SoundCardResidual(loud).harmonic(0, 2, at);
  const ResidualBound without = SoundCardResidual(alone).harmonic(0, 2, at);
  CHECK(with.typical == without.typical);
  CHECK(with.highest == without.highest);
  // As for an order that was not looked for.
  const SoundCardResidual quiet(two_converters(2, 1e-4, 1e-4));
  CHECK(within(db_of_ratio(quiet.harmonic(0, 7, at).highest), -180, 1e-9));
}

TEST_CASE("what cannot be asked of a residual") {
  CHECK_THROWS_AS(SoundCardResidual(Loopback{}), std::invalid_argument);
  Loopback at_dc;
  at_dc.tones = {tone(0, -10, -10, -90)};
  CHECK_THROWS_AS(SoundCardResidual{at_dc}, std::invalid_argument);
  const SoundCardResidual residual = square_law();
  const OperatingPoint at{1000, -12, -11.};
  CHECK_THROWS_AS(static_cast<void>(residual.harmonic(2, 2, at)), std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(residual.noise(2, at)), std::invalid_argument);
  CHECK_THROWS_AS(static_cast<void>(residual.harmonic(0, 2, {0, -12, {}})), std::invalid_argument);
}

}  // namespace
}  // namespace sinewright
