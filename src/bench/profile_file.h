// A bench profile as a file: written whole, commented, the one before it kept.
#pragma once

#include <filesystem>
#include <string>

#include "bench/profile.h"

namespace sinewright {

/// The profile as TOML with comments that say what each value is; parse_profile() gives it back,
/// every number to the last bit. Throws std::invalid_argument for a profile that parse_profile()
/// would refuse or read otherwise, with its reason: a value out of range or not finite, text that
/// is not UTF-8, ranges not by falling ratio.
[[nodiscard]] std::string to_toml(const Profile& profile);

/// Writes it to `path`, beside and renamed, so that no partial file ever stands there. A file that
/// was there is kept as `path` + ".previous", unless it is the same to the byte. Comments of one's
/// own are not carried over.
/// Throws as to_toml(), and Error (kFailure) naming the path when it cannot be written; then the
/// old file stands.
void write_profile(const std::filesystem::path& path, const Profile& profile);

}  // namespace sinewright
