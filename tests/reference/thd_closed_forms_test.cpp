// Distortion of waves with closed forms, against tests/reference/data/thd_closed_forms.csv (sources
// in its rows: Blagouchine and Moreau 2011 as reproduced in an encyclopedia article, and
// closed-form Fourier integrals).
//
// Waves are built from their Fourier coefficients up to the band's edge, so nothing aliases. The
// analyzer is compared with the same partial sum; the partial sums, continued to many harmonics,
// are compared with the table, which ties the coefficients to it.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <numbers>
#include <string>
#include <vector>

#include "dsp/noise_signals.h"
#include "dsp/tone_analysis.h"
#include "reference/reference_table.h"
#include "within.h"

using namespace sinewright;
using std::numbers::pi;

namespace {

// Signed sine coefficient b_n; cosine ones serve as well, for the levels.
using Coefficient = std::function<double(int)>;

double clip_coefficient(double c, int n) {
  if (n % 2 == 0) return 0;
  const double th = std::asin(c);
  if (n == 1) return 2 / pi * (th + std::sin(th) * std::cos(th));
  return 2 / (pi * n) * (std::sin((n - 1) * th) / (n - 1) + std::sin((n + 1) * th) / (n + 1));
}

double partial_thd(const Coefficient& b, int highest) {
  double sum = 0;
  for (int n = highest; n >= 2; --n) sum += b(n) * b(n);
  return std::sqrt(sum) / std::abs(b(1));
}

double table_thd(const std::string& waveform, const std::string& parameter) {
  for (const ReferenceRow& row : reference_table("thd_closed_forms.csv")) {
    if (row.at("waveform") == waveform && row.at("parameter").starts_with(parameter)) {
      return number(row, "thd_f_ratio");
    }
  }
  FAIL("no row " << waveform << ", " << parameter);
  return 0;
}

struct Wave {
  const char* waveform;
  const char* parameter;
  Coefficient coefficient;
  // What the harmonics above 400 000 hold, as a bound on the difference of the ratio.
  double truncation;
};

std::vector<Wave> waves() {
  const auto pulse = [](double duty) {
    return [duty](int n) { return std::sin(pi * duty * n) / n; };
  };
  const auto dead_zone = [](double d) {
    return [d](int n) { return n == 1 ? 1 - clip_coefficient(d, 1) : -clip_coefficient(d, n); };
  };
  const auto clip = [](double c) { return [c](int n) { return clip_coefficient(c, n); }; };
  return {
      {"square", "duty=0.5", [](int n) { return n % 2 == 0 ? 0 : 1.0 / n; }, 3e-6},
      {"sawtooth", "full swing", [](int n) { return 1.0 / n; }, 3e-6},
      {"triangle", "symmetrical",
       [](int n) { return n % 2 == 0 ? 0 : (n % 4 == 1 ? 1.0 : -1.0) / n / n; }, 1e-11},
      {"rectangular pulse train (AC coupled)", "duty=0.2", pulse(0.2), 3e-6},
      {"half-wave rectified sine", "DC removed",
       [](int n) {
         return n == 1 ? 0.5 : n % 2 != 0 ? 0.0 : -2 / pi / (static_cast<double>(n) * n - 1);
       },
       1e-11},
      {"sine hard-clipped symmetrically", "clip level/peak c=0.9 ", clip(0.9), 1e-9},
      {"sine hard-clipped symmetrically", "clip level/peak c=0.5 ", clip(0.5), 1e-9},
      {"sine hard-clipped symmetrically (inverse: THD_F=0.01)", "c=0.97148694", clip(0.97148694),
       2e-8},
      {"sine through dead zone (crossover; output shifted by d)", "d/peak=0.05", dead_zone(0.05),
       1e-9},
      {"sine through dead zone (crossover; output shifted by d)", "d/peak=0.2", dead_zone(0.2),
       1e-9},
      {"cubic y=x+a2 x^2+a3 x^3, x=A sin", "A=1 a2=0.1 a3=-0.05",
       [](int n) {
         return n == 1 ? 1 - 0.75 * 0.05 : n == 2 ? 0.05 : n == 3 ? 0.05 / 4 : 0.0;
       },
       1e-11},
  };
}

}  // namespace

TEST_CASE("the coefficients sum to the published distortion") {
  for (const Wave& wave : waves()) {
    CAPTURE(wave.waveform);
    CAPTURE(wave.parameter);
    CHECK(within(partial_thd(wave.coefficient, 400000), table_thd(wave.waveform, wave.parameter),
                 wave.truncation));
  }
}

TEST_CASE("waves made of them measure their partial sum") {
  const SampleRate fs{48000};
  for (const Wave& wave : waves()) {
    for (const double frequency_hz : {997.0, 4003.7}) {
      CAPTURE(wave.waveform);
      CAPTURE(wave.parameter);
      CAPTURE(frequency_hz);
      const int highest = static_cast<int>(20060 / frequency_hz);
      std::vector<double> x(60000);
      for (int n = 1; n <= highest; ++n) {
        add_line(x, fs,
                 {n * frequency_hz, 0.3 * wave.coefficient(n) / wave.coefficient(1), -1.2 * n});
      }
      const double thd = partial_thd(wave.coefficient, highest);
      const auto result = analyze_tone(x, fs, std::span(&frequency_hz, 1), {});
      REQUIRE(result.has_value());
      const ToneChannel& channel = result->channels[0];
      REQUIRE(channel.thd.has_value());
      // The fit of the fundamental beside harmonics up to -1 dBc is good to some 1e-5.
      CHECK(within(20 * std::log10(*channel.thd / thd), 0, 0.001));
      CHECK(within(20 * std::log10(channel.thd_n / (thd / std::sqrt(1 + thd * thd))), 0, 0.001));
      CHECK(!channel.paths_disagree);
    }
  }
}
