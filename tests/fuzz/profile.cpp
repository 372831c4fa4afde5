// Any text as a bench profile: read, or refused in one line. What is read is written and read back
// the same.
#include "bench/profile.h"

#include <cstdint>
#include <cstdlib>
#include <string>

#include "bench/profile_file.h"
#include "findings/error.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(data, data + size);
  try {
    sinewright::Profile profile = sinewright::parse_profile(text, "fuzz.toml");
    const sinewright::Chain chain(profile, "");
    for (const std::size_t channel : {0, 1, 2}) {
      const double vrms = chain.volts_of_rms(0.5, channel);
      if (!(chain.watts_of_volts(vrms, channel) > 0)) std::abort();
    }
    // Throws when it does not read back equal.
    const std::string written = sinewright::to_toml(profile);
    if (sinewright::to_toml(sinewright::parse_profile(written, "written.toml")) != written) {
      std::abort();
    }
  } catch (const sinewright::Error& error) {
    if (std::string(error.what()).find('\n') != std::string::npos) std::abort();
  }
  return 0;
}
