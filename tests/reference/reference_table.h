// Reads the tables of published values in tests/reference/data: '#' lines, one header row, rows.
#pragma once

#include <cstdlib>
#include <fstream>
#include <map>
#include <stdexcept>
#include <string>
#include <vector>

namespace sinewright {

using ReferenceRow = std::map<std::string, std::string>;

/// One line of comma-separated fields; a field in double quotes may hold commas.
inline std::vector<std::string> split_csv_line(const std::string& line) {
  std::vector<std::string> fields(1);
  bool is_quoted = false;
  for (const char c : line) {
    if (c == '"') {
      is_quoted = !is_quoted;
    } else if (c == ',' && !is_quoted) {
      fields.emplace_back();
    } else {
      fields.back() += c;
    }
  }
  return fields;
}

/// The rows of tests/reference/data/`name`. A missing or empty table throws: the test fails.
inline std::vector<ReferenceRow> reference_table(const std::string& name) {
  std::ifstream file(std::string(SINEWRIGHT_SOURCE_DIR) + "/tests/reference/data/" + name);
  std::vector<std::string> header;
  std::vector<ReferenceRow> rows;
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#') continue;
    const std::vector<std::string> fields = split_csv_line(line);
    if (header.empty()) {
      header = fields;
      continue;
    }
    if (fields.size() != header.size()) throw std::runtime_error(name + ": uneven row: " + line);
    ReferenceRow row;
    for (std::size_t i = 0; i < fields.size(); ++i) row[header[i]] = fields[i];
    rows.push_back(row);
  }
  if (rows.empty()) throw std::runtime_error(name + ": no such reference table, or no rows");
  return rows;
}

/// A field as a number ("-inf" included). Throws when it is not one.
inline double number(const ReferenceRow& row, const std::string& column) {
  return std::stod(row.at(column));
}

}  // namespace sinewright
