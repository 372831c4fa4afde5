// Any text as a scenario: read and simulated to finite samples, or refused in one line.
#include "device/scenario.h"

#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <vector>

#include "device/simulated_bench.h"
#include "findings/error.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(data, data + size);
  try {
    sinewright::SimulatedBench bench(sinewright::parse_scenario(text, "fuzz.toml"), {48000});
    std::vector<double> samples(64);
    if (bench.read(samples) == 0) std::abort();
    for (const double sample : samples) {
      if (!std::isfinite(sample)) std::abort();
    }
  } catch (const sinewright::Error& error) {
    if (std::string(error.what()).find('\n') != std::string::npos) std::abort();
  }
  return 0;
}
