// Figures of a steady tone as findings.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "dsp/tone_analysis.h"
#include "findings/findings.h"

namespace sinewright {

/// What the figures were taken from and how they are to be shown.
struct ReadingContext {
  std::vector<std::string> channels;  ///< names, as many as analysed
  std::optional<Chain> chain;         ///< none: dBFS only
  Band band;
  double sample_rate_hz = 0;
  std::optional<int> bits;  ///< of integer samples: their steps limit what can be seen
};

/// "left", "right" for two channels; "1" to "n" otherwise.
[[nodiscard]] std::vector<std::string> channel_names(int channels);

/// Position of a channel in a profile: 0 left, 1 right; for recordings of more channels one that no
/// profile knows.
[[nodiscard]] std::size_t channel_index(const ReadingContext& context, const std::string& channel);

/// The conditions that the context implies: band, weighting, sample rate, profile, range, load.
[[nodiscard]] std::vector<Condition> context_conditions(const ReadingContext& context);

/// Appends readings, harmonics and cautions of channels `first` and following to `findings`.
/// Positions of disturbances are given in seconds from absolute frame 0.
void append_tone(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                 std::size_t first);

/// One reading of a level in every unit known: dBFS, and with a chain V, dBV, dBu and W.
void append_level(Findings& findings, const std::string& key, const std::string& channel,
                  double rms, const ReadingContext& context, bool has_watts);

/// A ratio in % and dB; `value` empty: readings without value.
void append_ratio(Findings& findings, const std::string& key, const std::string& channel,
                  std::optional<double> ratio);

void append_reading(Findings& findings, const std::string& key, const std::string& channel,
                    std::optional<double> value, Unit unit);

void append_caution(Findings& findings, const std::string& code, const std::string& text,
                    const std::string& channel = "", std::optional<double> at_s = std::nullopt);

/// "2026-05-01T12:00:00Z", now.
[[nodiscard]] std::string utc_now();

}  // namespace sinewright
