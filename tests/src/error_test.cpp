// Errors: one line, whatever others put into their files.
#include "findings/error.h"

#include <doctest/doctest.h>

#include <string>

#include "bench/profile.h"
#include "device/scenario.h"

namespace sinewright {
namespace {

template <typename Read>
std::string complaint(const Read& read) {
  try {
    read();
  } catch (const Error& error) {
    return error.what();
  }
  return "";
}

// Found by scripts/fuzz: toml++ quotes the character that it stumbled over, here a line break.
TEST_CASE("a line break in a file does not break the message") {
  for (const char* text : {"a = i\n", "\"key\\nof two lines\" = 1\n"}) {
    CAPTURE(text);
    const std::string of_scenario = complaint([&] { (void)parse_scenario(text, "a.toml"); });
    const std::string of_profile = complaint([&] { (void)parse_profile(text, "a.toml"); });
    CHECK(of_scenario.find("a.toml:1:") == 0);
    CHECK(of_profile.find("a.toml:1:") == 0);
    CHECK(of_scenario.find_first_of("\r\n") == std::string::npos);
    CHECK(of_profile.find_first_of("\r\n") == std::string::npos);
  }
}

}  // namespace
}  // namespace sinewright
