// A bench profile as a file: written whole, commented, the one before it kept.
#pragma once

#include <filesystem>
#include <string>

#include "bench/profile.h"

namespace sinewright {

/// The profile as TOML with comments that say what each value is; parse_profile() gives it back,
/// every number to the last bit.
[[nodiscard]] std::string to_toml(const Profile& profile);

/// Writes it to `path`, beside and renamed, so that no partial file ever stands there. A file that
/// was there is kept as `path` + ".previous". Comments of one's own are not carried over.
/// Throws Error (kFailure) naming the path when it cannot be written; then the old file stands.
void write_profile(const std::filesystem::path& path, const Profile& profile);

}  // namespace sinewright
