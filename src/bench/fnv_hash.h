// A short name for bytes.
#pragma once

#include <string>
#include <string_view>

namespace sinewright {

/// FNV-1a, 64 bits, as 16 hexadecimal digits (G. Fowler, L. C. Noll, K.-P. Vo; from memory). It
/// names, it does not protect.
[[nodiscard]] std::string fnv_hash(std::string_view bytes);

}  // namespace sinewright
