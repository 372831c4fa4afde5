// What is wrong with a command line, in one line.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace sinewright {

/// Names the option or word and the way out; `error` came from parsing with `app`.
[[nodiscard]] std::string usage_error_text(const CLI::App& app, const CLI::ParseError& error);

}  // namespace sinewright
