#include "report/file_output.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cerrno>
#include <optional>
#include <random>
#include <system_error>

#include "findings/error.h"
#include "report/csv.h"
#include "report/json.h"
#include "report/summary.h"
#include "report/svg.h"
#include "report/terminal.h"

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
