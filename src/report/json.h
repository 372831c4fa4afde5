// Findings as JSON, schema 1: see docs/results-schema.md and docs/results.schema.json.
#pragma once

#include <iosfwd>
#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "findings/findings.h"

namespace sinewright {

/// One FINDINGS object of the schema. A number that is not finite becomes null.
[[nodiscard]] nlohmann::ordered_json to_json(const Findings& findings);

/// The whole document of one run: {"sinewright": version, "schema": 1, "findings": [...]}, one
/// FINDINGS a line, with a newline at the end. Text that is not UTF-8 gets U+FFFD in its place.
[[nodiscard]] std::string json_document(std::span<const Findings> findings);

/// Writes the document of a batch, {..., "recordings": [...]}, one recording after the other, so
/// that memory does not grow with the number of files. begin(), add() for each, end(); a document
/// that is not ended is not valid JSON, so write files through AtomicFile.
///
/// add() and end() throw Error (kFailure) when the stream fails (disk full, pipe closed).
class JsonRecordings {
 public:
  /// `out` must outlive this object.
  explicit JsonRecordings(std::ostream& out) : out_(out) {}

  void begin();
  void add(const RecordingFindings& recording);
  void end();

 private:
  std::ostream& out_;
  bool is_first_ = true;
};

}  // namespace sinewright
