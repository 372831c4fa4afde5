// From options to an open bench: profile, stream, session and whoever stands there.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "bench/profile.h"
#include "cli/options.h"
#include "device/stream.h"
#include "measure/measurement.h"
#include "measure/session.h"

namespace sinewright {

class SimulatedBench;

/// An open stream, and the simulated bench behind it where that is what it is.
struct OpenedStream {
  std::unique_ptr<Stream> stream;
  SimulatedBench* simulated = nullptr;
  std::string scenario_name;  ///< empty: a sound card
};

struct OpenedBench {
  SimulatedBench* simulated = nullptr;  ///< owned by the session
  std::unique_ptr<Session> session;
};

/// The profile with its range; none when no profile was named. Throws Error (kUsage) for a range
/// without a profile, unless the simulated bench is to take it.
[[nodiscard]] std::optional<Chain> chain_of(const BenchOptions& options);

/// The rate asked for. Throws Error (kUsage) when --rate and the profile differ.
[[nodiscard]] double rate_of(const BenchOptions& options, const std::optional<Chain>& chain);

[[nodiscard]] OpenedStream open_stream_of(const BenchOptions& options,
                                          const std::optional<Chain>& chain, Devices devices);

/// Everything up to the session. Throws Error (kUsage) also for a band beyond the rate.
[[nodiscard]] OpenedBench open_bench(const BenchOptions& options, const Band& band,
                                     const std::vector<Condition>& conditions, Devices devices);

/// One line on stderr where system sounds would be played into the amplifier as well.
void warn_of_shared_output(const Stream& stream);

/// Says on stderr what the limit in watts rests on where nobody has calibrated it: nothing without
/// a profile, nominal values with a nominal one. For commands that are about to play into a unit.
void warn_of_unknown_watts(const Session& session);

/// What a run may put into the load: 1 W, and once the checklist is confirmed the
/// lesser of the profile's limit and the load's rating. Without a chain nothing is known of watts.
[[nodiscard]] double allowed_watts(const Session& session, bool is_confirmed);

/// The hand at the bench. `way_out`: see TerminalOperator.
[[nodiscard]] std::unique_ptr<Operator> operator_of(const OpenedBench& bench,
                                                    const std::string& way_out);

}  // namespace sinewright
