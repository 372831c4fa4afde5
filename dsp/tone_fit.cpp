#include "dsp/tone_fit.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

#include "dsp/phase.h"

namespace sinewright {
namespace {

// Samples for which the phasors are tabulated; longer blocks are walked in such stretches, each
// started from an exact phasor. Short enough for the tables to stay in the first-level cache.
constexpr std::size_t kStretch = 256;

using Complex = std::complex<double>;
using Powers = std::array<Complex, 5>;

// F_p = sum over n of t^p z^(n - N/2) for p = 0..4, by summation by parts: exact where the step of
// t, 2/N, is small beside |z - 1|, that is from one bin on. `z_half` is z^(N/2).
Powers power_sums(Complex z, Complex z_half, double n_samples) {
  const double h = 2 / n_samples;
  const Complex z_start = std::conj(z_half);
  const Complex inverse = 1.0 / (z - 1.0);
  constexpr double binomial[5][5] = {
      {1, 0, 0, 0, 0}, {1, 1, 0, 0, 0}, {1, 2, 1, 0, 0}, {1, 3, 3, 1, 0}, {1, 4, 6, 4, 1}};
  Powers sums{};
  for (int p = 0; p < 5; ++p) {
    const double first = p % 2 == 0 ? 1 : -1;  // t^p at n = 0, where t = -1
    Complex inner = 0;                         // sum over n >= 1 of (t^p - (t - h)^p) z^(n - N/2)
    double power_of_h = 1;
    for (int q = 1; q <= p; ++q) {
      power_of_h *= -h;
      const int j = p - q;
      inner -= binomial[p][q] * power_of_h * (sums[j] - (j % 2 == 0 ? 1.0 : -1.0) * z_start);
    }
    sums[p] = (std::pow(1 - h, p) * z_half - first * z_start - inner) * inverse;
  }
  return sums;
}

// The same with a cosine-sum window as weight, w[n] = sum of a_k (-1)^k cos(2 pi k n / N), which
// about the middle of the block is the sum of a_k cos(2 pi k (n - N/2) / N).
Powers windowed_power_sums(std::uint64_t step, std::span<const double> coefficients,
                           std::size_t n) {
  Powers sums{};
  const Complex z = unit_phasor(step);
  const Complex z_half = unit_phasor(step * (n / 2));
  for (std::size_t k = 0; k < coefficients.size(); ++k) {
    const double half = k == 0 ? coefficients[k] : coefficients[k] / 2;
    const double sign = k % 2 == 0 ? 1 : -1;
    for (const double direction : {1.0, -1.0}) {
      if (k == 0 && direction < 0) continue;
      const Complex turn =
          std::polar(1.0, direction * kTwoPi * static_cast<double>(k) / static_cast<double>(n));
      const Powers part = power_sums(z * turn, z_half * sign, static_cast<double>(n));
      for (int p = 0; p < 5; ++p) sums[p] += half * part[p];
    }
  }
  return sums;
}

// Normal equations of { t^m cos, -t^m sin } for m = 0..2 and 1, from the sums of t^p, of
// t^p exp(2jwn) and of t^p exp(jwn).
Eigen::Matrix<double, 7, 7> normal_matrix(const std::array<double, 5>& powers, const Powers& twice,
                                          const Powers& once) {
  Eigen::Matrix<double, 7, 7> gram;
  for (int m = 0; m < kDriftTerms; ++m) {
    for (int k = 0; k < kDriftTerms; ++k) {
      const double power = powers[m + k];
      const Complex image = twice[m + k];
      gram(2 * m, 2 * k) = (power + image.real()) / 2;
      gram(2 * m + 1, 2 * k + 1) = (power - image.real()) / 2;
      gram(2 * m, 2 * k + 1) = gram(2 * k + 1, 2 * m) = -image.imag() / 2;
    }
    gram(2 * m, 6) = gram(6, 2 * m) = once[m].real();
    gram(2 * m + 1, 6) = gram(6, 2 * m + 1) = -once[m].imag();
  }
  gram(6, 6) = powers[0];
  return gram;
}

}  // namespace

ToneFitter::ToneFitter(SampleRate fs, std::span<const double> window,
                       std::span<const double> coefficients)
    : fs_(fs),
      window_(window.begin(), window.end()),
      coefficients_(coefficients.begin(), coefficients.end()) {
  const std::size_t n = window_.size();
  if (n < 16 || n % 2 != 0) {
    throw std::invalid_argument("ToneFitter: block length must be even and 16 or more, got " +
                                std::to_string(n));
  }
  const double half = static_cast<double>(n) / 2;
  for (std::size_t i = 0; i < n; ++i) {
    const double t = (static_cast<double>(i) - half) / half;
    double power = 1;
    for (int p = 0; p < 5; ++p, power *= t) {
      window_powers_[p] += window_[i] * power;
      flat_powers_[p] += power;
    }
  }
}

void ToneFitter::set_frequency(Hertz frequency) {
  if (!(frequency.value > 0 && frequency.value < fs_.hz / 2)) {
    throw std::invalid_argument("ToneFitter: frequency " + std::to_string(frequency.value) +
                                " Hz is outside 0 to " + std::to_string(fs_.hz / 2));
  }
  frequency_hz_ = frequency.value;
  step_ = phase_step(frequency, fs_);
  const std::size_t n = window_.size();

  table_.resize(kStretch, 6);
  for (std::size_t j = 0; j < kStretch; ++j) {
    const Complex phasor = unit_phasor(step_ * j);
    const double u = static_cast<double>(j) / kStretch;
    table_.row(static_cast<Eigen::Index>(j)) << phasor.real(), phasor.imag(), phasor.real() * u,
        phasor.imag() * u, phasor.real() * u * u, phasor.imag() * u * u;
  }
  starts_.clear();
  for (std::size_t start = 0; start < n; start += kStretch) {
    starts_.push_back(unit_phasor(step_ * (start - n / 2)));
  }

  const auto flat = [&](std::uint64_t step) {
    return power_sums(unit_phasor(step), unit_phasor(step * (n / 2)), static_cast<double>(n));
  };
  windowed_gram_ = normal_matrix(window_powers_, windowed_power_sums(2 * step_, coefficients_, n),
                                 windowed_power_sums(step_, coefficients_, n));
  flat_gram_ = normal_matrix(flat_powers_, flat(2 * step_), flat(step_));
}

ToneFitter::BothMoments ToneFitter::moments(std::span<const double> samples) const {
  const std::size_t n = window_.size();
  if (samples.size() != n) {
    throw std::invalid_argument("ToneFitter: " + std::to_string(samples.size()) +
                                " samples, the block has " + std::to_string(n));
  }
  BothMoments both;
  const double scale = 2.0 * kStretch / static_cast<double>(n);  // of u, in t
  Eigen::Matrix<double, kStretch, 2> columns;
  Eigen::Matrix<double, 2, 6> sums;
  for (std::size_t stretch = 0, start = 0; start < n; ++stretch, start += kStretch) {
    const auto length = static_cast<Eigen::Index>(std::min(kStretch, n - start));
    const Eigen::Map<const Eigen::VectorXd> x(samples.data() + start, length);
    const Eigen::Map<const Eigen::VectorXd> v(window_.data() + start, length);
    columns.col(0).head(length) = x.cwiseProduct(v);
    columns.col(1).head(length) = x;
    sums = columns.topRows(length).transpose().lazyProduct(table_.topRows(length));
    const double t0 = 2.0 * static_cast<double>(start) / static_cast<double>(n) - 1;
    for (int which = 0; which < 2; ++which) {
      ToneMoments& into = which == 0 ? both.windowed : both.flat;
      const Complex u0(sums(which, 0), sums(which, 1));
      const Complex u1 = scale * Complex(sums(which, 2), sums(which, 3));
      const Complex u2 = scale * scale * Complex(sums(which, 4), sums(which, 5));
      into.projections[0] += starts_[stretch] * u0;
      into.projections[1] += starts_[stretch] * (t0 * u0 + u1);
      into.projections[2] += starts_[stretch] * (t0 * t0 * u0 + 2 * t0 * u1 + u2);
      into.sum += columns.col(which).head(length).sum();
    }
  }
  return both;
}

ToneFit ToneFitter::fit(const ToneMoments& sums, const Eigen::Matrix<double, 7, 7>& gram) const {
  Eigen::Matrix<double, 7, 1> right;
  for (int m = 0; m < kDriftTerms; ++m) {
    right(2 * m) = sums.projections[m].real();
    right(2 * m + 1) = -sums.projections[m].imag();
  }
  right(6) = sums.sum;
  const Eigen::Matrix<double, 7, 1> x = gram.ldlt().solve(right);

  ToneFit fit;
  for (int m = 0; m < kDriftTerms; ++m) fit.terms[m] = {x(2 * m), x(2 * m + 1)};
  fit.offset = x(6);
  fit.frequency_hz = frequency_hz_;
  const double magnitude = std::abs(fit.terms[0]);
  if (magnitude > 0) {
    const double half_s = static_cast<double>(window_.size()) / (2 * fs_.hz);
    const Complex slope = fit.terms[1] / fit.terms[0];
    const Complex curve = fit.terms[2] / fit.terms[0];
    fit.frequency_hz += slope.imag() / (kTwoPi * half_s);
    fit.level_drift_db_per_s = 20 / std::log(10.0) * slope.real() / half_s;
    // Second derivative of the phase of 1 + slope t + curve t^2 at t = 0.
    const double bend = 2 * curve.imag() - 2 * slope.real() * slope.imag();
    fit.frequency_drift_hz_per_s = bend / (kTwoPi * half_s * half_s);
  }
  return fit;
}

ToneFit ToneFitter::fit_windowed(const ToneMoments& windowed) const {
  return fit(windowed, windowed_gram_);
}

ToneFit ToneFitter::fit_flat(const ToneMoments& flat,
                             std::span<const HarmonicPhasor> harmonics) const {
  ToneMoments rest = flat;
  const std::size_t n = window_.size();
  const auto sums_at = [&](int multiple) {
    const std::uint64_t step = step_ * static_cast<std::uint64_t>(multiple);
    return power_sums(unit_phasor(step), unit_phasor(step * (n / 2)), static_cast<double>(n));
  };
  for (const HarmonicPhasor& harmonic : harmonics) {
    const Powers above = sums_at(harmonic.order + 1);
    const Powers below = sums_at(harmonic.order - 1);
    for (int m = 0; m < kDriftTerms; ++m) {
      rest.projections[m] -=
          0.5 * (harmonic.phasor * above[m] + std::conj(harmonic.phasor * below[m]));
    }
    rest.sum -= (harmonic.phasor * sums_at(harmonic.order)[0]).real();
  }
  return fit(rest, flat_gram_);
}

void ToneFitter::subtract(std::span<const double> samples, const ToneFit& fit,
                          std::span<double> residual) const {
  const std::size_t n = window_.size();
  if (samples.size() != n || residual.size() != n) {
    throw std::invalid_argument("ToneFitter: subtract needs blocks of " + std::to_string(n));
  }
  const double scale = 2.0 * kStretch / static_cast<double>(n);
  for (std::size_t stretch = 0, start = 0; start < n; ++stretch, start += kStretch) {
    const auto length = static_cast<Eigen::Index>(std::min(kStretch, n - start));
    const double t0 = 2.0 * static_cast<double>(start) / static_cast<double>(n) - 1;
    const Complex q0 = starts_[stretch] * (fit.terms[0] + t0 * (fit.terms[1] + t0 * fit.terms[2]));
    const Complex q1 = starts_[stretch] * scale * (fit.terms[1] + 2 * t0 * fit.terms[2]);
    const Complex q2 = starts_[stretch] * scale * scale * fit.terms[2];
    const Eigen::Map<const Eigen::VectorXd> x(samples.data() + start, length);
    Eigen::Map<Eigen::VectorXd> r(residual.data() + start, length);
    // The largest part last and on its own: small terms added first keep their digits.
    r = x -
        (table_.col(4).head(length) * q2.real() - table_.col(5).head(length) * q2.imag() +
         table_.col(2).head(length) * q1.real() - table_.col(3).head(length) * q1.imag() +
         (table_.col(0).head(length) * q0.real() - table_.col(1).head(length) * q0.imag())) -
        Eigen::VectorXd::Constant(length, fit.offset);
  }
}

void settle_frequency(ToneFitter& fitter, std::span<const double> samples, Hertz guess) {
  // The quadratic model leaves the cube of the phase that the basis is off at the ends of the
  // block: 1e-5 rad leaves less than rounding does.
  constexpr double settled_rad = 1e-5;
  fitter.set_frequency(guess);
  double last_shift_rad = 1e9;
  for (int step = 0; step < 20; ++step) {
    const ToneFit fit = fitter.fit_windowed(fitter.moments(samples).windowed);
    const double magnitude = std::abs(fit.terms[0]);
    if (!(magnitude > 0 && fit.frequency_hz > 0 && fit.frequency_hz < fitter.sample_rate().hz / 2))
      return;
    const double shift_rad = std::abs((fit.terms[1] / fit.terms[0]).imag());
    if (shift_rad < settled_rad || shift_rad > 0.5 * last_shift_rad) return;
    fitter.set_frequency({fit.frequency_hz});
    last_shift_rad = shift_rad;
  }
}

}  // namespace sinewright
