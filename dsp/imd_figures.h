// Which intermodulation products two tones have, and the distortion figures made of them. Part of
// two_tone.h.
#pragma once

#include <array>
#include <complex>
#include <span>
#include <vector>

#include "dsp/band.h"
#include "dsp/two_tone.h"
#include "dsp/units.h"

namespace sinewright {

/// A product at |k f1 + m f2|.
struct ProductOrder {
  int k;
  int m;
};

/// The products of orders 2 to kHighestProductOrder that are in band and can be told from their
/// neighbours in bins of `bin_hz`, by ascending frequency. Of two that fall together (within 1.5
/// bins) the lower order is kept; one that falls on a tone or within 6 bins of it is left out.
[[nodiscard]] std::vector<ProductOrder> product_orders(const std::array<double, 2>& tone_hz,
                                                       SampleRate fs, const Band& band,
                                                       double bin_hz);

struct MeasuredProduct {
  ProductOrder order;
  std::complex<double> phasor;  ///< RMS phasor, relative to the tones' phases
  double rms;                   ///< noise bias taken off
  double deviation;
};

/// Sets the imd_modulation_* or imd_difference_* of `channel` from its tones and `products`; a
/// figure stays empty where one of its products is missing.
void add_imd_figures(std::span<const MeasuredProduct> products, TwoToneChannel& channel);

}  // namespace sinewright
