#include "findings/atomic_file.h"

#include <fmt/format.h>

#include <cerrno>
#include <random>
#include <system_error>

#include "findings/error.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

[[noreturn]] void fail(const fs::path& path, const std::string& what) {
  throw Error(ExitCode::kFailure,
              fmt::format("{}: not written: {}; choose another place, or make room there",
                          path.string(), what));
}

std::string last_error() {
  return errno != 0 ? std::generic_category().message(errno) : std::string("writing failed");
}

// Random, so that two programs that write the same file do not share a temporary one.
fs::path beside(const fs::path& target) {
  std::random_device random;
  return fs::path(target).concat(fmt::format(".{:08x}.part", random()));
}

}  // namespace

AtomicFile::AtomicFile(const fs::path& path) : asked_(path), target_(path) {
  std::error_code error;
  const fs::file_status status = fs::status(path, error);
  if (fs::is_directory(status)) fail(asked_, "it is a directory");
  if (fs::exists(status) && !fs::is_regular_file(status)) {
    temporary_.clear();  // a device or pipe: written in place
  } else {
    if (const fs::path resolved = fs::weakly_canonical(path, error); !error) target_ = resolved;
    temporary_ = beside(target_);
  }
  errno = 0;
  out_.open(temporary_.empty() ? target_ : temporary_, std::ios::binary | std::ios::trunc);
  if (!out_) fail(asked_, last_error());
}

AtomicFile::~AtomicFile() {
  if (temporary_.empty()) return;
  out_.close();
  std::error_code ignored;
  fs::remove(temporary_, ignored);
}

void AtomicFile::commit() {
  errno = 0;
  out_.close();
  if (!out_) fail(asked_, last_error());
  if (temporary_.empty()) return;
  std::error_code error;
  fs::rename(temporary_, target_, error);
  if (error) fail(asked_, error.message());
  temporary_.clear();
}

void write_atomically(const fs::path& path, const std::string& text) {
  AtomicFile file(path);
  file.stream() << text;
  file.commit();
}

}  // namespace sinewright
