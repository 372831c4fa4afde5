// Columns of text for the terminal.
#pragma once

#include <string>
#include <vector>

namespace sinewright {

/// How text for people is set. Without colour it holds no escape sequence: for files, pipes and
/// where NO_COLOR is set.
struct TextStyle {
  bool has_colour = false;
  int width = 100;  ///< columns at most
};

/// `text` in bold, or in the colour of a caution, where the style has colour.
[[nodiscard]] std::string bold(const std::string& text, const TextStyle& style);
[[nodiscard]] std::string caution_coloured(const std::string& text, const TextStyle& style);

/// `text` broken between words into lines of at most `width` columns, each but the first led by
/// `indent`; each line, the last too, ends in a newline.
[[nodiscard]] std::string wrapped(const std::string& text, const std::string& indent, int width);

/// Columns `text` takes on a terminal: code points, not bytes.
[[nodiscard]] int display_width(const std::string& text);

/// Cells in columns as wide as their widest cell.
class TextTable {
 public:
  enum class Align { kLeft, kRight };

  /// Two spaces stand between columns.
  explicit TextTable(std::vector<Align> columns) : columns_(std::move(columns)) {}

  /// Cells missing at the end are empty. The first row is the heading.
  void add(std::vector<std::string> row) { rows_.push_back(std::move(row)); }

  /// Lines without trailing spaces; the heading in bold.
  [[nodiscard]] std::string render(const TextStyle& style) const;

 private:
  std::vector<Align> columns_;
  std::vector<std::vector<std::string>> rows_;
};

}  // namespace sinewright
