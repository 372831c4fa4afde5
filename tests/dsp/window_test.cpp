// dsp/window.h against plain sums over the samples.
#include "dsp/window.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <numeric>
#include <stdexcept>

#include "dsp/units.h"
#include "within.h"

using namespace sinewright;

TEST_CASE(
    "a window's mean is its coherent gain, and its noise bandwidth follows from its samples") {
  for (const WindowKind kind : {WindowKind::kRectangular, WindowKind::kHann,
                                WindowKind::kBlackmanHarris7, WindowKind::kHft248d}) {
    const auto w = make_window(kind, 300);
    const double sum = std::accumulate(w.begin(), w.end(), 0.0);
    const double power = std::inner_product(w.begin(), w.end(), w.begin(), 0.0);
    CAPTURE(window_name(kind));
    CHECK(within(sum / 300, coherent_gain(kind), 1e-14));  // rounding of 300 additions
    CHECK(within(300 * power / (sum * sum), enbw_bins(kind), 1e-13));
  }
}

TEST_CASE("the Hann window has its well-known samples") {
  const auto w = make_window(WindowKind::kHann, 4);
  const double expected[] = {0, 0.5, 1, 0.5};
  for (std::size_t i = 0; i < 4; ++i) CHECK(within(w[i], expected[i], 1e-16));
}

TEST_CASE("the kernel equals the sum over many samples") {
  // The plain sum differs from the limit by O(1/N^2): about 1e-7 of the kernel at N = 4096.
  constexpr std::size_t kLength = 4096;
  for (const WindowKind kind : {WindowKind::kHann, WindowKind::kHft144d}) {
    const auto w = make_window(kind, kLength);
    for (const double offset : {0.0, 0.3, 1.0, -1.7, 6.999, 12.5}) {
      std::complex<double> sum = 0;
      for (std::size_t n = 0; n < kLength; ++n) {
        const double t = (static_cast<double>(n) - kLength / 2) / kLength;
        sum += w[n] * std::polar(1.0, -kTwoPi * offset * t);
      }
      CAPTURE(window_name(kind));
      CAPTURE(offset);
      CHECK(within(window_kernel(kind, offset), sum.real() / kLength, 1e-6));
    }
  }
}

TEST_CASE("a window of K terms vanishes at whole bins from K on") {
  const auto bins = main_lobe_half_width_bins(WindowKind::kHft196d);
  CHECK(bins == 9);
  CHECK(window_kernel(WindowKind::kHft196d, 9) == 0);
  CHECK(std::abs(window_kernel(WindowKind::kHft196d, 8)) > 1e-6);
}

TEST_CASE("a window of no samples is refused") {
  CHECK_THROWS_AS((void)make_window(WindowKind::kHann, 0), std::invalid_argument);
}
