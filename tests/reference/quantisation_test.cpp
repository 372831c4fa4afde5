// Rounding noise with and without dither, against the theory in quantisation.csv (Bennett 1948;
// Lipshitz, Wannamaker and Vanderkooy 1992).
#include <doctest/doctest.h>

#include <complex>
#include <stdexcept>
#include <string>
#include <vector>

#include "dsp/dither.h"
#include "dsp/fft.h"
#include "dsp/phase.h"
#include "dsp/weighting.h"
#include "reference/reference_table.h"
#include "within.h"

using namespace sinewright;

namespace {

constexpr std::size_t kLength = std::size_t{1} << 18;

Dither dither_named(const std::string& name) {
  if (name == "none") return Dither::kNone;
  return name.starts_with("TPDF") ? Dither::kTriangular : Dither::kRectangular;
}

/// What rounding adds to a nearly full-scale sine. Its frequency is no simple fraction of the rate.
std::vector<double> rounding_error(int bits, Dither dither, double fs_hz) {
  Quantiser quantiser(bits, dither, 1);
  const double amplitude = 1 - 3 * quantiser.lsb();  // room for the dither
  const std::uint64_t step = phase_step(Hertz{997.123}, SampleRate{fs_hz});
  std::vector<double> sine(kLength);
  for (std::size_t n = 0; n < kLength; ++n) sine[n] = amplitude * unit_phasor(n * step).imag();
  std::vector<double> error = sine;
  quantiser.process(error);
  for (std::size_t n = 0; n < kLength; ++n) error[n] -= sine[n];
  return error;
}

/// RMS from `low_hz` to `high_hz` in dBFS. Without a window: the error is white.
double noise_dbfs(const std::vector<double>& error, double fs_hz, double low_hz, double high_hz,
                  Weighting weighting) {
  std::vector<std::complex<double>> spectrum(kLength / 2 + 1);
  RealFft(kLength).transform(error, spectrum);
  double power = 0;
  for (std::size_t k = 0; k < spectrum.size(); ++k) {
    const Hertz f{static_cast<double>(k) * fs_hz / kLength};
    if (f.value < low_hz || f.value > high_hz) continue;
    const double gain = weighting_gain(weighting, f);
    power += gain * gain * std::norm(spectrum[k]) * (k == 0 || 2 * k == kLength ? 1 : 2);
  }
  return dbfs_of_rms(std::sqrt(power) / kLength);
}

}  // namespace

TEST_CASE("rounding noise is what theory says") {
  for (const ReferenceRow& row : reference_table("quantisation.csv")) {
    const double fs_hz = number(row, "fs_hz");
    if (fs_hz != 44100 && fs_hz != 192000) continue;  // the others differ in scale only
    const Dither dither = dither_named(row.at("dither"));
    const auto error = rounding_error(static_cast<int>(number(row, "bits")), dither, fs_hz);
    CAPTURE(row.at("bits"));
    CAPTURE(row.at("fs_hz"));
    CAPTURE(row.at("dither"));
    CAPTURE(row.at("band"));
    const double low_hz = number(row, "band_low_hz");
    const double high_hz = number(row, "band_high_hz");
    const double expected_dbfs = number(row, "noise_dbfs");
    // K bins vary by 4.34 / sqrt(K) dB: 0.012 for all of them, 0.026 for 20 kHz of 192 kHz, 0.04
    // with A-weighting. Four times that; undithered noise is white only nearly.
    const bool is_whole = row.at("band") == "full_nyquist";
    CHECK(within(noise_dbfs(error, fs_hz, low_hz, high_hz, Weighting::kNone), expected_dbfs,
                 is_whole ? 0.05 : 0.11));
    if (is_whole) continue;
    CHECK(within(noise_dbfs(error, fs_hz, low_hz, high_hz, Weighting::kA),
                 -number(row, "a_weighted_snr_db"), 0.16));
  }
}

TEST_CASE("triangular dither frees the mean error from the signal, and rounding alone does not") {
  // A constant a quarter of a step above a step: rounding gives 0 for ever, dither the quarter on
  // average. Error power is LSB^2 / 4, so the mean of 2^16 varies by 0.002 LSB; five times that.
  for (const Dither dither : {Dither::kNone, Dither::kTriangular}) {
    Quantiser quantiser(16, dither, 2);
    std::vector<double> samples(65536, 0.25 * quantiser.lsb());
    quantiser.process(samples);
    double mean_lsb = 0;
    for (const double sample : samples) mean_lsb += sample / quantiser.lsb() / 65536;
    CHECK(within(mean_lsb, dither == Dither::kNone ? 0 : 0.25, 0.01));
  }
}

TEST_CASE("a quantiser clips at the ends of its range") {
  Quantiser quantiser(8, Dither::kNone, 1);
  std::vector<double> samples{1.5, -1.5, 0.5, 1.0};
  quantiser.process(samples);
  CHECK(samples == std::vector<double>{127.0 / 128, -1, 0.5, 127.0 / 128});
  CHECK_THROWS_AS(Quantiser(1, Dither::kNone, 1), std::invalid_argument);
}
