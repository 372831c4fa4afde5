// Result files: whole or not at all, in the format that the extension names.
#pragma once

#include <filesystem>
#include <memory>
#include <span>
#include <string>

#include "findings/atomic_file.h"
#include "findings/findings.h"

namespace sinewright {

enum class ReportFormat { kJson, kCsv, kSvg, kText };

/// The format that the extension of `path` names: .json, .csv, .svg, .txt, in either case.
/// Throws Error (kUsage) listing these for any other. Ask before measuring, not after.
[[nodiscard]] ReportFormat format_of(const std::filesystem::path& path);

/// Writes findings in the format that the extension of `path` names: .svg all curves, one chart
/// below the other; .txt the terminal's text.
/// Throws Error (kUsage) for another extension, or .svg when there is no curve; as AtomicFile else.
void write_report(const std::filesystem::path& path, std::span<const Findings> findings);

/// The report of a batch as a file: .json, .csv or .txt, recording by recording.
class RecordingsFile {
 public:
  /// Throws Error (kUsage) for any other extension; as AtomicFile does else.
  explicit RecordingsFile(const std::filesystem::path& path);
  ~RecordingsFile();

  /// Both throw Error (kFailure) when writing fails.
  void add(const RecordingFindings& recording);
  /// Ends the document and lets it appear under its name. Without it nothing is left.
  void commit();

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace sinewright
