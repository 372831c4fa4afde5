// Any text as a bench profile: read, or refused in one line.
#include "bench/profile.h"

#include <cstdint>
#include <cstdlib>
#include <string>

#include "findings/error.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(data, data + size);
  try {
    const sinewright::Profile profile = sinewright::parse_profile(text, "fuzz.toml");
    const sinewright::Chain chain(profile, "");
    if (!(chain.watts_of_volts(chain.volts_of_rms(0.5, 0), 0) > 0)) std::abort();
  } catch (const sinewright::Error& error) {
    if (std::string(error.what()).find('\n') != std::string::npos) std::abort();
  }
  return 0;
}
