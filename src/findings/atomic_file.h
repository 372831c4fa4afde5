// Files: whole or not at all.
#pragma once

#include <filesystem>
#include <fstream>
#include <string>

namespace sinewright {

/// A file that appears under its name only when it is complete: written beside and renamed. A
/// symbolic link is followed; a device or pipe is written directly, for it cannot be renamed over.
class AtomicFile {
 public:
  /// Opens the temporary file. Throws Error (kFailure) naming `path` when that is a directory, or
  /// when nothing can be written beside it.
  explicit AtomicFile(const std::filesystem::path& path);
  /// Without commit(): removes the temporary file; what stood under the name stays.
  ~AtomicFile();
  AtomicFile(const AtomicFile&) = delete;
  AtomicFile& operator=(const AtomicFile&) = delete;

  [[nodiscard]] std::ostream& stream() { return out_; }

  /// Closes and renames. Throws Error (kFailure) when any write failed; then nothing is left.
  void commit();

 private:
  std::filesystem::path asked_;   // as given, for messages
  std::filesystem::path target_;  // with links resolved
  std::filesystem::path temporary_;
  std::ofstream out_;
};

/// Writes `text` as the whole of `path`. Throws as AtomicFile does.
void write_atomically(const std::filesystem::path& path, const std::string& text);

}  // namespace sinewright
