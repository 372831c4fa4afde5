#include "report/text_table.h"

#include <algorithm>
#include <sstream>

namespace sinewright {

std::string bold(const std::string& text, const TextStyle& style) {
  return style.has_colour ? "\x1b[1m" + text + "\x1b[0m" : text;
}

std::string caution_coloured(const std::string& text, const TextStyle& style) {
  return style.has_colour ? "\x1b[1;33m" + text + "\x1b[0m" : text;
}

int display_width(const std::string& text) {
  // Bytes that continue a UTF-8 sequence take no column of their own.
  return static_cast<int>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xc0) != 0x80;
  }));
}

std::string wrapped(const std::string& text, const std::string& indent, int width) {
  std::istringstream words(text);
  std::string lines, line, word;
  while (words >> word) {
    if (!line.empty() && display_width(line) + 1 + display_width(word) > width) {
      lines += line + '\n';
      line = indent + word;
    } else {
      line += (line.empty() ? "" : " ") + word;
    }
  }
  return lines + line + '\n';
}

std::string TextTable::render(const TextStyle& style) const {
  std::vector<int> widths(columns_.size(), 0);
  for (const auto& row : rows_) {
    for (std::size_t i = 0; i < std::min(row.size(), widths.size()); ++i) {
      widths[i] = std::max(widths[i], display_width(row[i]));
    }
  }
  std::string text;
  for (std::size_t r = 0; r < rows_.size(); ++r) {
    std::string line;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      const std::string cell = i < rows_[r].size() ? rows_[r][i] : std::string();
      const std::string padding(static_cast<std::size_t>(widths[i] - display_width(cell)), ' ');
      line += (i == 0 ? "" : "  ");
      line += columns_[i] == Align::kRight ? padding + cell : cell + padding;
    }
    line.erase(line.find_last_not_of(' ') + 1);
    text += (r == 0 ? bold(line, style) : line) + '\n';
  }
  return text;
}

}  // namespace sinewright
