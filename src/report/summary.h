// One table over many recordings.
#pragma once

#include <string>
#include <vector>

#include "findings/findings.h"
#include "report/text_table.h"

namespace sinewright {

/// Collects a line for each steady reading of each recording, or for the error that it gave; keeps
/// only those lines, at most 12 a recording and pair of channels, not the findings.
class RecordingsSummary {
 public:
  void add(const RecordingFindings& recording);

  /// Recording, start, kind, frequency, level and THD+N of left and right (of channels 1 and 2, 3
  /// and 4 ... in other files), number of cautions; then counts of recordings and errors.
  [[nodiscard]] std::string render(const TextStyle& style) const;

  [[nodiscard]] int recordings() const { return recordings_; }
  [[nodiscard]] int errors() const { return static_cast<int>(errors_.size()); }

 private:
  void add_findings(const std::string& name, const Findings& findings, std::size_t cautions);

  [[nodiscard]] std::string table(int name_width) const;

  std::vector<std::vector<std::string>> rows_;
  std::vector<std::string> errors_;
  int recordings_ = 0;
};

}  // namespace sinewright
