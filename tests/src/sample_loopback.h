// Loopbacks made up for tests.
#pragma once

#include "bench/residual.h"

namespace sinewright {

inline LoopbackTone tone(double frequency_hz, double drive_dbfs, double level_dbfs,
                         double second_dbc, double noise_dbfs = -110) {
  LoopbackTone tone;
  tone.frequency_hz = frequency_hz;
  tone.drive_dbfs = drive_dbfs;
  for (auto& channel : tone.channels) {
    channel = {level_dbfs, noise_dbfs, {{2, second_dbc, 0}}, -140};
  }
  return tone;
}

/// A second harmonic that rises 1 dB per dB of level, loop gain -1 dB.
inline SoundCardResidual square_law() {
  Loopback loopback;
  for (const double drive_dbfs : {-1., -21., -41.}) {
    loopback.tones.push_back(tone(1000, drive_dbfs, drive_dbfs - 1, -80 + drive_dbfs));
    loopback.tones.push_back(tone(4000, drive_dbfs, drive_dbfs - 1, -68 + drive_dbfs));
  }
  return SoundCardResidual(loopback);
}

}  // namespace sinewright
