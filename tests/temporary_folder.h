// A folder of its own for a test, removed with all it holds.
#pragma once

#include <filesystem>
#include <random>
#include <string>

namespace sinewright {

class TemporaryFolder {
 public:
  TemporaryFolder() {
    std::random_device device;
    path_ =
        std::filesystem::temp_directory_path() / ("sinewright-test-" + std::to_string(device()));
    std::filesystem::create_directory(path_);
  }
  ~TemporaryFolder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  /// Full path of `file` in it.
  [[nodiscard]] std::string operator/(const std::string& file) const {
    return (path_ / file).string();
  }

 private:
  std::filesystem::path path_;
};

}  // namespace sinewright
