#include "dsp/fft.h"

#include <kissfft/kissfft.hh>
#include <stdexcept>
#include <string>

namespace sinewright {
namespace {

std::size_t without_small_factors(std::size_t n) {
  for (const std::size_t factor : {2, 3, 5}) {
    while (n > 0 && n % factor == 0) n /= factor;
  }
  return n;
}

void require_length(std::size_t n, bool is_good) {
  if (is_good) return;
  throw std::invalid_argument("fft: length " + std::to_string(n) +
                              " needs no prime factor but 2, 3 and 5 (even for real samples)");
}

void require_size(const char* what, std::size_t size, std::size_t expected) {
  if (size == expected) return;
  throw std::invalid_argument(std::string("fft: ") + what + " has " + std::to_string(size) +
                              " values, needs " + std::to_string(expected));
}

}  // namespace

std::size_t good_fft_length(std::size_t at_least) {
  std::size_t n = at_least < 8 ? 8 : at_least + at_least % 2;
  while (without_small_factors(n) != 1) n += 2;
  return n;
}

std::size_t good_fft_length_below(std::size_t at_most) {
  if (at_most < 8) throw std::invalid_argument("good_fft_length_below: at_most must be 8 or more");
  std::size_t n = at_most - at_most % 2;
  while (without_small_factors(n) != 1) n -= 2;
  return n;
}

struct ComplexFft::Plan : kissfft<double> {
  using kissfft::kissfft;
};

ComplexFft::ComplexFft(std::size_t n, bool inverse) : n_(n) {
  require_length(n, without_small_factors(n) == 1);
  plan_ = std::make_shared<const Plan>(n, inverse);
}

void ComplexFft::transform(std::span<const std::complex<double>> in,
                           std::span<std::complex<double>> out) const {
  require_size("in", in.size(), n_);
  require_size("out", out.size(), n_);
  plan_->transform(in.data(), out.data());
}

struct RealFft::Plan : kissfft<double> {
  using kissfft::kissfft;
};

RealFft::RealFft(std::size_t n) : n_(n) {
  require_length(n, n % 2 == 0 && without_small_factors(n) == 1);
  plan_ = std::make_shared<const Plan>(n / 2, false);
}

void RealFft::transform(std::span<const double> in, std::span<std::complex<double>> out) const {
  require_size("in", in.size(), n_);
  require_size("out", out.size(), n_ / 2 + 1);
  plan_->transform_real(in.data(), out.data());
  out[n_ / 2] = out[0].imag();
  out[0] = out[0].real();
}

}  // namespace sinewright
