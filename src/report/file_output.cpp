#include "report/file_output.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <optional>

#include "findings/error.h"
#include "report/csv.h"
#include "report/json.h"
#include "report/summary.h"
#include "report/svg.h"
#include "report/terminal.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

std::string text_document(std::span<const Findings> findings) {
  std::string text;
  for (const Findings& each : findings) {
    text += (text.empty() ? "" : "\n") + render_findings(each, TextStyle{});
  }
  return text;
}

}  // namespace

ReportFormat format_of(const fs::path& path) {
  std::string extension = path.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  if (extension == ".json") return ReportFormat::kJson;
  if (extension == ".csv") return ReportFormat::kCsv;
  if (extension == ".svg") return ReportFormat::kSvg;
  if (extension == ".txt") return ReportFormat::kText;
  throw Error(
      ExitCode::kUsage,
      fmt::format("{}: no such format; end the name in .json, .csv, .svg or .txt", path.string()));
}

void write_report(const fs::path& path, std::span<const Findings> findings) {
  std::string text;
  switch (format_of(path)) {
    case ReportFormat::kJson:
      text = json_document(findings);
      break;
    case ReportFormat::kCsv:
      text = csv_document(findings);
      break;
    case ReportFormat::kText:
      text = text_document(findings);
      break;
    case ReportFormat::kSvg:
      text = svg_document(findings);
      if (text.empty()) {
        throw Error(ExitCode::kUsage,
                    fmt::format("{}: these results hold no curve to draw; end the name in .json, "
                                ".csv or .txt",
                                path.string()));
      }
      break;
  }
  write_atomically(path, text);
}

struct RecordingsFile::State {
  explicit State(const fs::path& path) : file(path), json(file.stream()), csv(file.stream()) {}

  AtomicFile file;
  ReportFormat format = ReportFormat::kText;
  JsonRecordings json;
  CsvTable csv;
  RecordingsSummary summary;
};

RecordingsFile::RecordingsFile(const fs::path& path) {
  const ReportFormat format = format_of(path);
  if (format == ReportFormat::kSvg) {
    throw Error(ExitCode::kUsage, fmt::format("{}: a batch is no picture; end the name in .json, "
                                              ".csv or .txt",
                                              path.string()));
  }
  state_ = std::make_unique<State>(path);
  state_->format = format;
  if (format == ReportFormat::kJson) state_->json.begin();
  if (format == ReportFormat::kCsv) state_->csv.begin();
}

RecordingsFile::~RecordingsFile() = default;

void RecordingsFile::add(const RecordingFindings& recording) {
  switch (state_->format) {
    case ReportFormat::kJson:
      state_->json.add(recording);
      break;
    case ReportFormat::kCsv:
      state_->csv.add(recording);
      break;
    default:
      state_->file.stream() << render_recording(recording, TextStyle{}) << '\n';
      state_->summary.add(recording);
  }
}

void RecordingsFile::commit() {
  switch (state_->format) {
    case ReportFormat::kJson:
      state_->json.end();
      break;
    case ReportFormat::kCsv:
      state_->csv.end();
      break;
    default:
      state_->file.stream() << state_->summary.render(TextStyle{});
  }
  state_->file.commit();
}

}  // namespace sinewright
