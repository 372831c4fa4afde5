// dsp/fft.h against the plain sum, and against FFTW, an independent library (tests only).
#include "dsp/fft.h"

#include <doctest/doctest.h>
#include <fftw3.h>

#include <cmath>
#include <complex>
#include <stdexcept>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/phase.h"
#include "within.h"

using namespace sinewright;
using Complex = std::complex<double>;

namespace {

std::vector<double> noise(std::size_t n, std::uint64_t seed) {
  std::vector<double> x(n);
  add_noise(x, 1, seed);
  return x;
}

std::vector<Complex> complex_noise(std::size_t n, std::uint64_t seed) {
  const auto x = noise(2 * n, seed);
  std::vector<Complex> z(n);
  for (std::size_t i = 0; i < n; ++i) z[i] = {x[2 * i], x[2 * i + 1]};
  return z;
}

double rms_difference(std::span<const Complex> a, std::span<const Complex> b) {
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += std::norm(a[i] - b[i]);
  return std::sqrt(sum / static_cast<double>(a.size()));
}

}  // namespace

TEST_CASE("the transform is the plain sum") {
  for (const std::size_t n : {1u, 2u, 3u, 4u, 5u, 8u, 15u, 60u, 90u}) {
    CAPTURE(n);
    const auto x = complex_noise(n, n);
    std::vector<Complex> forward(n), inverse(n), plain(n);
    ComplexFft(n).transform(x, forward);
    for (std::size_t m = 0; m < n; ++m) {
      for (std::size_t i = 0; i < n; ++i) {
        plain[m] += x[i] * std::conj(unit_phasor(
                               phase_of_ratio(static_cast<double>(m * i), static_cast<double>(n))));
      }
    }
    CHECK(rms_difference(forward, plain) < 1e-14);  // rounding of some tens of terms
    ComplexFft(n, true).transform(forward, inverse);
    for (Complex& z : inverse) z /= static_cast<double>(n);
    CHECK(rms_difference(inverse, x) < 1e-14);
  }
}

TEST_CASE("complex and real transforms agree with FFTW to rounding, long ones too") {
  for (const std::size_t n : {256u, 1000u, 4800u, 44100u / 49 * 50, 65536u, 96000u}) {
    CAPTURE(n);
    const auto z = complex_noise(n, n);
    auto z_in = z;
    std::vector<Complex> expected(n), got(n);
    const fftw_plan plan = fftw_plan_dft_1d(
        static_cast<int>(n), reinterpret_cast<fftw_complex*>(z_in.data()),
        reinterpret_cast<fftw_complex*>(expected.data()), FFTW_FORWARD, FFTW_ESTIMATE);
    fftw_execute(plan);
    fftw_destroy_plan(plan);
    ComplexFft(n).transform(z, got);
    // Bins of unit noise have RMS sqrt(2 n); rounding is a few times 1e-16 of that (-294 dB).
    const double scale = std::sqrt(2 * static_cast<double>(n));
    CHECK(rms_difference(got, expected) < 2e-15 * scale);

    const auto x = noise(n, n + 1);
    auto x_in = x;
    std::vector<Complex> real_expected(n / 2 + 1), real_got(n / 2 + 1);
    const fftw_plan real_plan =
        fftw_plan_dft_r2c_1d(static_cast<int>(n), x_in.data(),
                             reinterpret_cast<fftw_complex*>(real_expected.data()), FFTW_ESTIMATE);
    fftw_execute(real_plan);
    fftw_destroy_plan(real_plan);
    RealFft(n).transform(x, real_got);
    CHECK(rms_difference(real_got, real_expected) < 2e-15 * scale);
    CHECK(real_got.front().imag() == 0);
    CHECK(real_got.back().imag() == 0);
  }
}

TEST_CASE("two real channels are told apart in one complex transform") {
  constexpr std::size_t kLength = 480;
  const auto a = noise(kLength, 1);
  const auto b = noise(kLength, 2);
  std::vector<Complex> packed(kLength), both(kLength), alone_a(kLength / 2 + 1),
      alone_b(kLength / 2 + 1);
  for (std::size_t i = 0; i < kLength; ++i) packed[i] = {a[i], b[i]};
  ComplexFft(kLength).transform(packed, both);
  RealFft(kLength).transform(a, alone_a);
  RealFft(kLength).transform(b, alone_b);
  for (std::size_t m = 0; m <= kLength / 2; ++m) {
    const BinPair pair = split_bins(both, m);
    CHECK(std::abs(pair.a - alone_a[m]) < 1e-12);
    CHECK(std::abs(pair.b - alone_b[m]) < 1e-12);
  }
}

TEST_CASE("good lengths have no prime factor above 5") {
  CHECK(good_fft_length(0) == 8);
  CHECK(good_fft_length(9) == 10);
  CHECK(good_fft_length(11) == 12);
  CHECK(good_fft_length(44100) == 45000);
  CHECK(good_fft_length(48000) == 48000);
  CHECK(good_fft_length_below(8) == 8);
  CHECK(good_fft_length_below(48001) == 48000);
  for (const std::size_t at_most : {11u, 44100u, 99999u}) {
    const std::size_t below = good_fft_length_below(at_most);
    CHECK(below <= at_most);
    CHECK(good_fft_length(below) == below);
    CHECK(good_fft_length(below + 1) > at_most);  // the greatest of them
  }
  CHECK_THROWS_AS((void)good_fft_length_below(7), std::invalid_argument);
}

TEST_CASE("bad lengths and sizes are refused") {
  CHECK_THROWS_AS(ComplexFft(7), std::invalid_argument);
  CHECK_THROWS_AS(ComplexFft(0), std::invalid_argument);
  CHECK_THROWS_AS(RealFft(15), std::invalid_argument);
  CHECK_THROWS_AS(RealFft(0), std::invalid_argument);
  std::vector<double> x(16);
  std::vector<Complex> bins(8);
  CHECK_THROWS_AS(RealFft(16).transform(x, bins), std::invalid_argument);
}
