// Failures of the world outside: one line for the user, one exit code.
#pragma once

#include <algorithm>
#include <stdexcept>
#include <string>

namespace sinewright {

/// Exit codes of the program.
enum class ExitCode { kFailure = 1, kUsage = 2, kInput = 3, kDevice = 4, kRefused = 5 };

/// A file, device or disk that fails, or a measurement that is refused. The text is one line: what
/// happened, on which input, what to do. Line breaks in it, from names and keys of others, become
/// spaces.
class Error : public std::runtime_error {
 public:
  Error(ExitCode code, const std::string& text) : std::runtime_error(one_line(text)), code_(code) {}
  [[nodiscard]] ExitCode code() const { return code_; }

 private:
  static std::string one_line(std::string text) {
    std::replace(text.begin(), text.end(), '\n', ' ');
    std::replace(text.begin(), text.end(), '\r', ' ');
    return text;
  }

  ExitCode code_;
};

}  // namespace sinewright
