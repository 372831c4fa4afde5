#include "dsp/iir_design.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

using Complex = std::complex<double>;
constexpr Complex kJ{0, 1};

/// Prewarped angular frequency: the bilinear transform s = (z - 1) / (z + 1) maps it to
/// `frequency`.
double prewarped(const char* name, Hertz frequency, SampleRate fs) {
  if (!(fs.hz > 0) || !(frequency.value > 0) || !(frequency.value < fs.hz / 2)) {
    throw std::invalid_argument(
        std::string(name) + ": frequency must lie between 0 and fs/2, got " +
        std::to_string(frequency.value) + " Hz of " + std::to_string(fs.hz) + " Hz");
  }
  return std::tan(std::numbers::pi * (frequency.value / fs.hz));
}

/// (n2 s^2 + n1 s + n0) / (s^2 + d1 s + d0), s in units of the prewarped frequency `t`.
struct AnalogSection {
  double n2, n1, n0, d1, d0;
};

/// With s = d' / (t (d' + 2)), d' = z - 1, every coefficient is a sum of positive terms: no digit
/// is lost however small t is.
Biquad bilinear(const AnalogSection& a, double t) {
  const double scale = 1 / (1 + t * (a.d1 + t * a.d0));
  return {.b0 = (a.n2 + t * (a.n1 + t * a.n0)) * scale,
          .b1 = (2 * t * a.n1 + 4 * t * t * a.n0) * scale,
          .b2 = 4 * t * t * a.n0 * scale,
          .a1 = (2 * t * a.d1 + 4 * t * t * a.d0) * scale,
          .a2 = 4 * t * t * a.d0 * scale};
}

/// One real pole at -p with gain 1 at 0 Hz: p / (s + p).
Biquad bilinear_one_pole(double p, double t) {
  const double scale = 1 / (1 + t * p);
  return {.b0 = t * p * scale, .b1 = 2 * t * p * scale, .b2 = 0, .a1 = 2 * t * p * scale, .a2 = 0};
}

/// An elliptic modulus with its complement, each to full relative precision: near 0 and near 1
/// one does not follow from the other.
struct Modulus {
  double k;
  double complement;
};

/// Descending Landen sequence of a modulus, down to nothing.
std::vector<double> landen_sequence(Modulus m) {
  std::vector<double> sequence;
  while (m.k > 1e-18 && sequence.size() < 20) {
    const double root = m.k / (1 + m.complement);
    m = {root * root, 2 * std::sqrt(m.complement) / (1 + m.complement)};
    sequence.push_back(m.k);
  }
  return sequence;
}

/// The ascending Landen (Gauss) steps that lead from circular to elliptic functions.
Complex ascend(Complex w, const std::vector<double>& sequence) {
  for (auto v = sequence.rbegin(); v != sequence.rend(); ++v) w = (1 + *v) * w / (1.0 + *v * w * w);
  return w;
}

/// cd(u K, k) and sn(u K, k), K being the quarter period.
Complex cd(Complex u, Modulus m) {
  return ascend(std::cos(u * (std::numbers::pi / 2)), landen_sequence(m));
}
Complex sn(Complex u, Modulus m) {
  return ascend(std::sin(u * (std::numbers::pi / 2)), landen_sequence(m));
}

/// u of sn(u K, k) = w, for w on the imaginary axis: the same steps backwards.
Complex inverse_sn(Complex w, Modulus m) {
  double previous = m.k;
  for (const double v : landen_sequence(m)) {
    w = 2.0 * w / ((1 + v) * (1.0 + std::sqrt(1.0 - w * w * previous * previous)));
    previous = v;
  }
  return std::asin(w) * (2 / std::numbers::pi);
}

/// Solves the degree equation: the modulus k (pass edge over stop edge) that `order` attains with
/// k1, the ratio of the ripple factors.
Modulus degree_equation(int order, Modulus k1) {
  const Modulus swapped{k1.complement, k1.k};
  double product = std::pow(k1.complement, order);
  for (int i = 1; i <= order / 2; ++i) {
    const double u = (2.0 * i - 1) / order;
    product *= std::pow(sn(u, swapped).real(), 4);
  }
  return {std::sqrt((1 - product) * (1 + product)), product};
}

double square_less_one_of_loss(double db) { return std::expm1(db * (std::numbers::ln10 / 10)); }

void check_elliptic(int order, double ripple_db, double stop_db) {
  if (order < 1 || order > 20) {
    throw std::invalid_argument("elliptic_low_pass: order must be 1 to 20, got " +
                                std::to_string(order));
  }
  if (!(ripple_db > 0) || !(stop_db > ripple_db) || !std::isfinite(stop_db)) {
    throw std::invalid_argument("elliptic_low_pass: needs 0 < ripple_db < stop_db, got " +
                                std::to_string(ripple_db) + " and " + std::to_string(stop_db));
  }
}

}  // namespace

std::vector<Biquad> elliptic_low_pass(int order, double ripple_db, double stop_db, Hertz edge,
                                      SampleRate fs) {
  check_elliptic(order, ripple_db, stop_db);
  const double t = prewarped("elliptic_low_pass", edge, fs);
  const double pass_factor = std::sqrt(square_less_one_of_loss(ripple_db));
  const double stop_factor = std::sqrt(square_less_one_of_loss(stop_db));
  const double ratio = pass_factor / stop_factor;
  const Modulus k1{ratio, std::sqrt((1 - ratio) * (1 + ratio))};
  const Modulus k = degree_equation(order, k1);
  const Complex v0 = -kJ * inverse_sn(kJ / pass_factor, k1) / static_cast<double>(order);

  std::vector<Biquad> sections;
  if (order % 2 == 1) {
    const double pole = std::abs((kJ * sn(kJ * v0, k)).real());
    sections.push_back(bilinear_one_pole(pole, t));
  } else {
    sections.push_back({.b0 = amplitude_ratio_of_db(-ripple_db)});
  }
  for (int i = order / 2; i >= 1; --i) {  // i = 1 is the pair next to the edge
    const double u = (2.0 * i - 1) / order;
    const double zero = 1 / (k.k * cd(u, k).real());
    const Complex pole = kJ * cd(u - kJ * v0, k);
    const double pole_square = std::norm(pole);
    const double gain = pole_square / (zero * zero);  // 1 at 0 Hz
    sections.push_back(bilinear({.n2 = gain,
                                 .n1 = 0,
                                 .n0 = pole_square,
                                 .d1 = 2 * std::abs(pole.real()),
                                 .d0 = pole_square},
                                t));
  }
  return sections;
}

std::vector<Biquad> butterworth_high_pass(int order, Hertz edge, SampleRate fs) {
  if (order < 2 || order > 20 || order % 2 != 0) {
    throw std::invalid_argument("butterworth_high_pass: order must be even, 2 to 20, got " +
                                std::to_string(order));
  }
  const double t = prewarped("butterworth_high_pass", edge, fs);
  std::vector<Biquad> sections;
  for (int i = 1; i <= order / 2; ++i) {
    const double damping = 2 * std::sin((2.0 * i - 1) * std::numbers::pi / (2.0 * order));
    sections.push_back(bilinear({.n2 = 1, .n1 = 0, .n0 = 0, .d1 = damping, .d0 = 1}, t));
  }
  // Sharpest resonance last, as everywhere here; i = 1 is the sharpest.
  std::ranges::reverse(sections);
  return sections;
}

Biquad notch(Hertz center, double q, SampleRate fs) {
  if (!(q > 0)) {
    throw std::invalid_argument("notch: q must be positive, got " + std::to_string(q));
  }
  const double t = prewarped("notch", center, fs);
  return bilinear({.n2 = 1, .n1 = 0, .n0 = 1, .d1 = 1 / q, .d0 = 1}, t);
}

}  // namespace sinewright
