#include "dsp/window.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <numbers>
#include <stdexcept>

#include "dsp/phase.h"
#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kRectangularTerms[] = {1};
constexpr double kHannTerms[] = {0.5, 0.5};
constexpr double kHammingTerms[] = {0.54, 0.46};
constexpr double kBlackmanTerms[] = {0.42, 0.5, 0.08};
constexpr double kExactBlackmanTerms[] = {7938.0 / 18608, 9240.0 / 18608, 1430.0 / 18608};
constexpr double kBlackmanHarris3Terms[] = {0.42323, 0.49755, 0.07922};
constexpr double kBlackmanHarris4Terms[] = {0.35875, 0.48829, 0.14128, 0.01168};
constexpr double kNuttall4bTerms[] = {0.355768, 0.487396, 0.144232, 0.012604};
constexpr double kNuttall4cTerms[] = {0.3635819, 0.4891775, 0.1365995, 0.0106411};
constexpr double kBlackmanHarris7Terms[] = {0.27105140069342, 0.43329793923448, 0.21812299954311,
                                            0.06592544638803, 0.01081174209837, 0.00077658482522,
                                            0.00001388721735};
constexpr double kHft70Terms[] = {1, 1.90796, 1.07349, 0.18199};
constexpr double kHft90dTerms[] = {1, 1.942604, 1.340318, 0.440811, 0.043097};
constexpr double kHft95Terms[] = {1, 1.9383379, 1.3045202, 0.402827, 0.0350665};
constexpr double kHft116dTerms[] = {1, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288};
constexpr double kHft144dTerms[] = {1,          1.96760033, 1.57983607, 0.81123644,
                                    0.22583558, 0.02773848, 0.0009036};
// Circulates in two versions; this one goes to 0 at its ends, the other stops at -168 dB.
constexpr double kHft169dTerms[] = {1,         1.97441843, 1.65409889, 0.95788187,
                                    0.3367342, 0.06364622, 0.00521942, 0.00010599};
constexpr double kHft196dTerms[] = {1,           1.97928042,  1.710288951, 1.081629853, 0.448734314,
                                    0.112376628, 0.015122992, 0.000871252, 0.000011896};
constexpr double kHft223dTerms[] = {1,
                                    1.98298997309,
                                    1.75556083063,
                                    1.19037717712,
                                    0.56155440797,
                                    0.17296769663,
                                    0.03233247087,
                                    0.00324954578,
                                    0.00013801040,
                                    0.00000132725};
constexpr double kHft248dTerms[] = {1,
                                    1.985844164102,
                                    1.791176438506,
                                    1.282075284005,
                                    0.667777530266,
                                    0.240160796576,
                                    0.056656381764,
                                    0.008134974479,
                                    0.000624544650,
                                    0.000019808998,
                                    0.000000132974};

struct WindowRow {
  WindowKind kind;
  std::string_view name;
  std::span<const double> terms;
};

constexpr WindowRow kRows[] = {
    {WindowKind::kRectangular, "rectangular", kRectangularTerms},
    {WindowKind::kHann, "Hann", kHannTerms},
    {WindowKind::kHamming, "Hamming", kHammingTerms},
    {WindowKind::kBlackman, "Blackman", kBlackmanTerms},
    {WindowKind::kExactBlackman, "exact Blackman", kExactBlackmanTerms},
    {WindowKind::kBlackmanHarris3, "Blackman-Harris, 3 terms", kBlackmanHarris3Terms},
    {WindowKind::kBlackmanHarris4, "Blackman-Harris, 4 terms", kBlackmanHarris4Terms},
    {WindowKind::kNuttall4b, "Nuttall 4b", kNuttall4bTerms},
    {WindowKind::kNuttall4c, "Nuttall 4c", kNuttall4cTerms},
    {WindowKind::kBlackmanHarris7, "Blackman-Harris, 7 terms", kBlackmanHarris7Terms},
    {WindowKind::kHft70, "HFT70", kHft70Terms},
    {WindowKind::kHft90d, "HFT90D", kHft90dTerms},
    {WindowKind::kHft95, "HFT95", kHft95Terms},
    {WindowKind::kHft116d, "HFT116D", kHft116dTerms},
    {WindowKind::kHft144d, "HFT144D", kHft144dTerms},
    {WindowKind::kHft169d, "HFT169D", kHft169dTerms},
    {WindowKind::kHft196d, "HFT196D", kHft196dTerms},
    {WindowKind::kHft223d, "HFT223D", kHft223dTerms},
    {WindowKind::kHft248d, "HFT248D", kHft248dTerms},
};

const WindowRow& row_of(WindowKind kind) {
  const auto* const row = std::ranges::find(kRows, kind, &WindowRow::kind);
  if (row == std::end(kRows)) throw std::invalid_argument("window: kind is not a WindowKind");
  return *row;
}

/// Offset of the innermost null, found as a change of sign: no main lobe here is narrower than
/// half a bin, and none has a null beyond the number of terms.
double first_null_bins(std::span<const double> terms) {
  constexpr double kStep = 1.0 / 256;
  double offset = 0.5;
  while (window_kernel(terms, offset) > 0 && offset < static_cast<double>(terms.size())) {
    offset += kStep;
  }
  return offset;
}

}  // namespace

std::span<const double> window_coefficients(WindowKind kind) { return row_of(kind).terms; }

std::string_view window_name(WindowKind kind) { return row_of(kind).name; }

std::vector<double> make_window(WindowKind kind, std::size_t n) {
  if (n == 0) throw std::invalid_argument("make_window: n must be 1 or more, got 0");
  const std::span<const double> terms = window_coefficients(kind);
  const std::uint64_t step = phase_step(Hertz{1}, SampleRate{static_cast<double>(n)});
  std::vector<double> cosines(n);
  for (std::size_t i = 0; i < n; ++i) cosines[i] = unit_phasor(i * step).real();

  std::vector<double> window(n);
  for (std::size_t i = 0; i < n; ++i) {
    double sum = 0;
    for (std::size_t k = terms.size(); k-- > 0;) {  // smallest first
      sum += (k % 2 == 0 ? terms[k] : -terms[k]) * cosines[(k * i) % n];
    }
    window[i] = sum;
  }
  return window;
}

double coherent_gain(WindowKind kind) { return window_coefficients(kind)[0]; }

double enbw_bins(WindowKind kind) {
  const std::span<const double> terms = window_coefficients(kind);
  double power = terms[0] * terms[0];
  for (const double term : terms.subspan(1)) power += 0.5 * term * term;
  return power / (terms[0] * terms[0]);
}

double scalloping_loss_db(WindowKind kind) {
  const std::span<const double> terms = window_coefficients(kind);
  // Extremes within the interval are flat, the one at its end is hit: a fixed grid is enough.
  constexpr int kSteps = 1000;
  double worst_db = 0;
  for (int i = 0; i <= kSteps; ++i) {
    const double gain = window_kernel(terms, 0.5 * i / kSteps) / terms[0];
    worst_db = std::max(worst_db, std::abs(db_of_amplitude_ratio(gain)));
  }
  return worst_db;
}

double highest_sidelobe_db(WindowKind kind) {
  const std::span<const double> terms = window_coefficients(kind);
  constexpr double kStep = 1.0 / 256;
  const double last = static_cast<double>(terms.size()) + 30;
  double highest = 0;
  for (double offset = first_null_bins(terms); offset < last; offset += kStep) {
    highest = std::max(highest, std::abs(window_kernel(terms, offset)));
  }
  return db_of_amplitude_ratio(highest / terms[0]);
}

std::size_t main_lobe_half_width_bins(WindowKind kind) { return window_coefficients(kind).size(); }

double window_kernel(std::span<const double> coefficients, double offset_bins) {
  // sinc(x - k) = (-1)^k sin(pi x) / (pi (x - k)), with the sine taken of the distance to the
  // nearest bin, so that it keeps its digits there.
  const double nearest = std::nearbyint(offset_bins);
  const double distance = offset_bins - nearest;
  const double sine = std::sin(std::numbers::pi * distance) / std::numbers::pi;
  const double nearest_sinc = distance == 0 ? 1 : sine / distance;
  const auto sinc = [&](double k) {
    if (k == nearest) return nearest_sinc;
    const bool is_odd = std::fmod(k - nearest, 2) != 0;
    return (is_odd ? -sine : sine) / (offset_bins - k);
  };
  double sum = 0;
  for (std::size_t k = coefficients.size(); k-- > 1;) {
    const auto bin = static_cast<double>(k);
    sum += 0.5 * coefficients[k] * (sinc(bin) + sinc(-bin));
  }
  return sum + coefficients[0] * sinc(0);
}

double window_kernel(WindowKind kind, double offset_bins) {
  return window_kernel(window_coefficients(kind), offset_bins);
}

}  // namespace sinewright
