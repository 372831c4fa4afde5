// Cosine-sum windows, their figures, and their transform at any offset.
#pragma once

#include <cstddef>
#include <span>
#include <string_view>
#include <vector>

namespace sinewright {

/// w[n] = a0 - a1 cos(2 pi n/N) + a2 cos(4 pi n/N) - ..., n = 0..N-1 (periodic, "DFT-even").
enum class WindowKind {
  kRectangular,
  kHann,
  kHamming,
  kBlackman,
  kExactBlackman,
  kBlackmanHarris3,  ///< 3 terms, -70.8 dB
  kBlackmanHarris4,  ///< 4 terms, -92 dB
  kNuttall4b,        ///< 4 terms, continuous first derivative, -93.3 dB
  kNuttall4c,        ///< 4 terms, -98.2 dB
  kBlackmanHarris7,  ///< 7 terms, -180 dB
  kHft70,
  kHft90d,
  kHft95,
  kHft116d,
  kHft144d,
  kHft169d,
  kHft196d,
  kHft223d,
  kHft248d,  ///< flat top, -248 dB
};

/// a0, a1, ... as published: positive magnitudes; the flat tops have a0 = 1 and a peak above 1.
///
/// Sources: F. J. Harris, Proc. IEEE 66(1), 1978, pp. 51-83; A. H. Nuttall, IEEE Trans. ASSP 29(1),
/// 1981, pp. 84-91; flat tops G. Heinzel, A. Ruediger, R. Schilling, "Spectrum and spectral density
/// estimation by the DFT", MPI fuer Gravitationsphysik, 2002; the 7-term
/// set is common practice, from memory; its -180 dB side lobes are confirmed by computation.
[[nodiscard]] std::span<const double> window_coefficients(WindowKind kind);

/// The window's name for people.
[[nodiscard]] std::string_view window_name(WindowKind kind);

/// `n` samples, periodic, with the published coefficients: their mean is coherent_gain().
/// Throws std::invalid_argument when `n` is 0.
[[nodiscard]] std::vector<double> make_window(WindowKind kind, std::size_t n);

/// Mean of the window: a0. Amplitudes read from a DFT are divided by N times this.
[[nodiscard]] double coherent_gain(WindowKind kind);

/// Equivalent noise bandwidth in bins: N sum(w^2) / sum(w)^2.
[[nodiscard]] double enbw_bins(WindowKind kind);

/// Greatest amplitude error for a tone within +-0.5 bin of a bin, absolute, in dB. That is the
/// scalloping loss, or for flat tops the ripple, whichever sign it has.
[[nodiscard]] double scalloping_loss_db(WindowKind kind);

/// Highest side lobe relative to the value at offset 0, in dB (negative).
[[nodiscard]] double highest_sidelobe_db(WindowKind kind);

/// Half width of the main lobe in bins, outermost null: the number of terms. A constant reaches
/// bins 0 to this - 1 and no other.
[[nodiscard]] std::size_t main_lobe_half_width_bins(WindowKind kind);

/// The window's transform `offset_bins` from the tone, divided by N, phase referred to the middle
/// of the record (real there), for N -> infinity: the sum of shifted sinc functions. At offset 0
/// it is coherent_gain(). For a record of N samples the difference is of the order of 1/N^2.
/// Rounding leaves 1e-17 or so: enough for the -248 dB of the lowest window.
[[nodiscard]] double window_kernel(std::span<const double> coefficients, double offset_bins);
[[nodiscard]] double window_kernel(WindowKind kind, double offset_bins);

}  // namespace sinewright
