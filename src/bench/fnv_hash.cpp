#include "bench/fnv_hash.h"

#include <fmt/format.h>

#include <cstdint>

namespace sinewright {

std::string fnv_hash(std::string_view bytes) {
  std::uint64_t hash = 0xcbf29ce484222325;
  for (const char byte : bytes) {
    hash ^= static_cast<unsigned char>(byte);
    hash *= 0x100000001b3;
  }
  return fmt::format("{:016x}", hash);
}

}  // namespace sinewright
