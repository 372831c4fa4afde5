// Any bytes as a recording: analysed to sound findings, or refused in one line.
#include <sys/mman.h>
#include <unistd.h>

#include <cstdint>
#include <cstdlib>
#include <string>

#include "findings/check.h"
#include "measure/analyze.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  // A file in memory: the reader wants a path, a disk would be slow.
  static const int file = memfd_create("fuzz", 0);
  if (file < 0 || ftruncate(file, 0) != 0) std::abort();
  if (pwrite(file, data, size, 0) != static_cast<ssize_t>(size)) std::abort();

  const auto result = sinewright::analyze_recording("/proc/self/fd/" + std::to_string(file), {});
  if (result.error.find('\n') != std::string::npos) std::abort();
  for (const auto& findings : result.findings) {
    if (!sinewright::problems_of(findings).empty()) std::abort();
  }
  for (const auto& findings : result.summary) {
    if (!sinewright::problems_of(findings).empty()) std::abort();
  }
  return 0;
}
