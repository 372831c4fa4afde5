// Runs the program as a script does: in a shell, nobody at the terminal.
#pragma once

#include <doctest/doctest.h>
#include <sys/wait.h>

#include <array>
#include <cstdio>
#include <fstream>
#include <sstream>
#include <string>

#include "temporary_folder.h"

namespace sinewright {

struct ProgramRun {
  int code = -1;
  std::string out;
  std::string error;

  [[nodiscard]] bool has_error(const std::string& part) const {
    return error.find(part) != std::string::npos;
  }
};

inline std::string contents_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

/// What the program said on stderr, less the line that warns of watts unknown or nominal.
inline std::string without_watts_warning(const std::string& error) {
  std::istringstream lines(error);
  std::string kept;
  for (std::string line; std::getline(lines, line);) {
    if (line.find("watts are not known") != std::string::npos) continue;
    if (line.find("so is every limit in watts") != std::string::npos) continue;
    kept += line + "\n";
  }
  return kept;
}

/// `command` in a shell, with "$P" standing for the program and no terminal on its stdin.
inline ProgramRun run_shell(const std::string& command) {
  const TemporaryFolder folder;
  const std::string whole = "P='" SINEWRIGHT_PROGRAM "'; export P; (" + command +
                            ") < /dev/null 2> '" + (folder / "error") + "'";
  ProgramRun run;
  std::FILE* pipe = popen(whole.c_str(), "r");
  REQUIRE(pipe != nullptr);
  std::array<char, 4096> buffer{};
  while (const std::size_t count = std::fread(buffer.data(), 1, buffer.size(), pipe)) {
    run.out.append(buffer.data(), count);
  }
  const int status = pclose(pipe);
  run.code = WIFEXITED(status) ? WEXITSTATUS(status) : 1000 + WTERMSIG(status);
  run.error = contents_of(folder / "error");
  return run;
}

inline ProgramRun run_program(const std::string& arguments) {
  return run_shell("\"$P\" " + arguments);
}

}  // namespace sinewright
