// What readings are taken from, and how they are to be shown.
#pragma once

#include <cstddef>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "bench/residual.h"
#include "dsp/band.h"
#include "findings/findings.h"

namespace sinewright {

struct ReadingContext {
  std::vector<std::string> channels;  ///< names, as many as analysed
  std::optional<Chain> chain;         ///< none: dBFS only
  Band band;
  double sample_rate_hz = 0;
  std::optional<int> bits;  ///< of integer samples: their steps limit what can be seen
  std::shared_ptr<const SoundCardResidual> residual;  ///< of the chain's loopback; none without one
  std::optional<double> drive_dbfs;                   ///< of the tone played, where it is known
};

/// The sound card of a chain, made once and shared by all that read; none without a loopback.
[[nodiscard]] std::shared_ptr<const SoundCardResidual> residual_of(
    const std::optional<Chain>& chain);

/// "left", "right" for two channels; "1" to "n" otherwise.
[[nodiscard]] std::vector<std::string> channel_names(int channels);

/// Position of a channel in a profile: 0 left, 1 right; for recordings of more channels one that no
/// profile knows.
[[nodiscard]] std::size_t channel_index(const ReadingContext& context, const std::string& channel);

/// Whether readings of this channel carry an uncertainty: its volts are calibrated.
[[nodiscard]] bool is_calibrated(const ReadingContext& context, const std::string& channel);

/// Whether a loopback tells what the sound card itself does in this channel; volts need not be
/// calibrated for that.
[[nodiscard]] bool knows_sound_card(const ReadingContext& context, const std::string& channel);

/// The conditions that the context implies: band, weighting, sample rate, profile, range, load.
[[nodiscard]] std::vector<Condition> context_conditions(const ReadingContext& context);

/// The middle of the band, where half the power of white noise lies below.
[[nodiscard]] double middle_hz(const ReadingContext& context);

}  // namespace sinewright
