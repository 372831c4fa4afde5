#include "cli/recording_printer.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <iostream>

#include "cli/console.h"
#include "report/labels.h"
#include "report/numbers.h"
#include "report/terminal.h"

namespace sinewright {
namespace {

// More than these say that the recording needs to be looked at by itself.
constexpr std::size_t kCautionsShown = 4;

std::string name_of(const std::string& path) {
  return printable(std::filesystem::path(path).filename().string());
}

// "hum.wav at 3.2 s, left: the text"
std::string caution_line(const std::string& name, const Caution& caution, double start_s) {
  std::string where = name;
  const double at_s = caution.at_s.value_or(start_s);
  if (at_s > 0) where += fmt::format(" at {} s", significant(at_s, 3));
  if (!caution.channel.empty()) where += ", " + caution.channel;
  return where + ": " + printable(caution.text);
}

}  // namespace

RecordingPrinter::RecordingPrinter(const OutputOptions& output, bool has_details,
                                   TerminalProgress& progress)
    : output_(output),
      has_details_(has_details),
      progress_(progress),
      json_(std::cout),
      csv_(std::cout) {
  for (const std::string& file : output_.files) {
    files_.push_back(std::make_unique<RecordingsFile>(file));
  }
  if (output_.is_json) json_.begin();
  if (output_.is_csv) csv_.begin();
}

void RecordingPrinter::add(const RecordingFindings& recording) {
  if (is_output_terminal() && (has_details_ || !output_.is_text())) progress_.clear();
  summary_.add(recording);
  for (const auto& file : files_) file->add(recording);
  if (output_.is_json) return json_.add(recording);
  if (output_.is_csv) return csv_.add(recording);
  if (has_details_) return print(render_recording(recording, output_style()) + "\n");
  keep_cautions(recording);
  if (summary_.recordings() == 1) curves_ = recording.summary;
}

void RecordingPrinter::keep_cautions(const RecordingFindings& recording) {
  std::vector<std::string> lines;
  const std::string name = name_of(recording.path);
  for (const Caution& caution : recording.cautions) {
    lines.push_back(caution_line(name, caution, 0));
  }
  for (const Findings& findings : recording.findings) {
    for (const Caution& caution : findings.cautions) {
      lines.push_back(caution_line(name, caution, findings.started_s));
    }
  }
  const std::size_t shown = std::min(lines.size(), kCautionsShown);
  cautions_.insert(cautions_.end(), lines.begin(), lines.begin() + static_cast<long>(shown));
  if (lines.size() > shown) {
    cautions_.push_back(
        fmt::format("{}: {} more cautions; --details shows them", name, lines.size() - shown));
  }
}

void RecordingPrinter::print_text() {
  const TextStyle style = output_style();
  std::string text = summary_.render(style);
  if (!cautions_.empty()) text += "\n" + bold("Cautions", style) + "\n";
  for (const std::string& caution : cautions_) {
    text += caution_coloured(wrapped(caution, "  ", style.width), style);
  }
  if (summary_.recordings() == 1 && !has_details_) {
    for (const Findings& findings : curves_) text += "\n" + render_findings(findings, style);
  }
  print(text);
}

void RecordingPrinter::finish() {
  for (const auto& file : files_) file->commit();
  if (output_.is_json) json_.end();
  if (output_.is_csv) csv_.end();
  if (output_.is_text()) print_text();
  flush_output();
}

}  // namespace sinewright
