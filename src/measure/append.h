// Adds to findings: readings in every unit known, cautions.
#pragma once

#include <cmath>
#include <optional>
#include <string>

#include "findings/findings.h"
#include "measure/uncertain.h"

namespace sinewright {

/// Of noise whose lower end is open (OwnLevel::is_open_below).
inline constexpr const char* kOutputNoiseNote =
    "noise of the sound card's output may come through the unit, at a gain not known";

[[nodiscard]] inline std::optional<double> finite(double value) {
  return std::isfinite(value) ? std::optional(value) : std::nullopt;
}

/// The reading appended; good until the next one is.
Reading& append_reading(Findings& findings, const std::string& key, const std::string& channel,
                        std::optional<double> value, Unit unit);

void append_caution(Findings& findings, const std::string& code, const std::string& text,
                    const std::string& channel = "", std::optional<double> at_s = std::nullopt);

/// The same unless a caution of this code stands already.
void append_caution_once(Findings& findings, const std::string& code, const std::string& text);

/// One reading of a level in every unit known: dBFS as the converter reads it, and with a chain V,
/// dBV, dBu and W at the terminals; with their uncertainty on a calibrated bench.
void append_level(Findings& findings, const std::string& key, const std::string& channel,
                  const Level& level, const ReadingContext& context, bool has_watts);

/// A ratio in % and dB; `ratio` empty: readings without value.
void append_ratio(Findings& findings, const std::string& key, const std::string& channel,
                  std::optional<double> ratio, const RatioLimits& limits = {});

/// The same in dB only.
void append_db(Findings& findings, const std::string& key, const std::string& channel, double ratio,
               const RatioLimits& limits);

/// "2026-05-01T12:00:00Z", now.
[[nodiscard]] std::string utc_now();

}  // namespace sinewright
