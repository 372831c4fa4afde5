// Findings as one tidy CSV table: a row for each number. Columns: docs/results-schema.md.
#pragma once

#include <iosfwd>
#include <span>
#include <string>

#include "findings/findings.h"

namespace sinewright {

/// A field as RFC 4180 wants it: quoted, with quotes doubled, when it holds a comma, a quote or a
/// line break; unchanged otherwise.
[[nodiscard]] std::string csv_field(const std::string& text);

/// Writes one table, in rows as they come, so that memory does not grow with the number of files.
/// begin() writes the header; add() the rows of a run or a recording; end() flushes.
///
/// All throw Error (kFailure) when the stream fails (disk full, pipe closed).
class CsvTable {
 public:
  /// `out` must outlive this object.
  explicit CsvTable(std::ostream& out) : out_(out) {}

  void begin();
  /// `path`: the recording; empty for a live run.
  void add(const std::string& path, const Findings& findings);
  void add(const RecordingFindings& recording);
  void end();

 private:
  std::ostream& out_;
};

/// The whole table of one run.
[[nodiscard]] std::string csv_document(std::span<const Findings> findings);

}  // namespace sinewright
