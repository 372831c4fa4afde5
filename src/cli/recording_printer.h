// The results of a batch, on stdout and in files, recording by recording.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "cli/options.h"
#include "cli/terminal_progress.h"
#include "findings/findings.h"
#include "report/csv.h"
#include "report/file_output.h"
#include "report/json.h"
#include "report/summary.h"

namespace sinewright {

/// Memory grows by a few lines for each recording, whatever it holds. All throw Error (kFailure)
/// when writing fails, Error (kUsage) for a file of unknown format.
class RecordingPrinter {
 public:
  /// `progress` is taken off the screen whenever text goes there.
  RecordingPrinter(const OutputOptions& output, bool has_details, TerminalProgress& progress);

  void add(const RecordingFindings& recording);
  /// Ends the documents, commits the files and prints the table.
  void finish();

  [[nodiscard]] int recordings() const { return summary_.recordings(); }
  [[nodiscard]] int errors() const { return summary_.errors(); }

 private:
  void keep_cautions(const RecordingFindings& recording);
  void print_text();

  OutputOptions output_;
  bool has_details_;
  TerminalProgress& progress_;
  JsonRecordings json_;
  CsvTable csv_;
  RecordingsSummary summary_;
  std::vector<std::unique_ptr<RecordingsFile>> files_;
  std::vector<std::string> cautions_;
  std::vector<Findings> curves_;  // of the first recording; shown when it is the only one
};

}  // namespace sinewright
