#include "bench/profile_section.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr std::int64_t kHighestOrder = 1000;

[[noreturn]] void fail(const std::string& file, const toml::source_position& at,
                       const std::string& text) {
  // toml++ gives no position to a table that stands for the whole file.
  throw Error(ExitCode::kInput, fmt::format("{}:{}:{}: {}", file, std::max<unsigned>(1, at.line),
                                            std::max<unsigned>(1, at.column), text));
}

/// "2026-11-25", and a day that there is.
bool is_date(std::string_view text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return false;
  int fields[3] = {0, 0, 0};
  int field = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (i == 4 || i == 7) {
      ++field;
    } else if (text[i] < '0' || text[i] > '9') {
      return false;
    } else {
      fields[field] = 10 * fields[field] + (text[i] - '0');
    }
  }
  return std::chrono::year_month_day(std::chrono::year(fields[0]),
                                     std::chrono::month(static_cast<unsigned>(fields[1])),
                                     std::chrono::day(static_cast<unsigned>(fields[2])))
      .ok();
}

}  // namespace

toml::table parse_toml(const std::string& text, const std::string& name) {
  try {
    return toml::parse(text, name);
  } catch (const toml::parse_error& error) {
    std::string what(error.description());
    std::replace(what.begin(), what.end(), '\n', ' ');
    fail(name, error.source().begin, fmt::format("not valid TOML: {}; correct it", what));
  }
}

void Section::allow_only(std::initializer_list<std::string_view> keys) const {
  for (const auto& [key, node] : *table_) {
    if (std::find(keys.begin(), keys.end(), key.str()) == keys.end()) {
      fail(file_, key.source().begin,
           fmt::format("unknown key '{}' in {}; it takes {}", key.str(), title_,
                       fmt::join(keys, ", ")));
    }
  }
}

std::string Section::text(std::string_view key) const {
  const toml::node& node = required(key, "text in quotes");
  std::string value = text_or_empty(key);
  if (value.empty()) fail_at(node, fmt::format("'{}' is empty; give it a name", key));
  return value;
}

std::string Section::text_or_empty(std::string_view key) const {
  const toml::node* node = table_->get(key);
  if (node == nullptr) return {};
  const auto value = node->value_exact<std::string>();
  if (!value) fail_type(key, *node, "text in quotes");
  return *value;
}

std::string Section::date(std::string_view key) const {
  const toml::node& node = required(key, "a date such as 2026-11-25");
  if (const auto date = node.value_exact<toml::date>()) {
    return fmt::format("{:04}-{:02}-{:02}", date->year, date->month, date->day);
  }
  const auto text = node.value_exact<std::string>();
  if (!text) fail_type(key, node, "a date such as 2026-11-25");
  if (!is_date(*text)) {
    fail_at(node,
            fmt::format("'{}' is '{}', which is no date; write it as 2026-11-25", key, *text));
  }
  return *text;
}

std::int64_t Section::whole_number(std::string_view key) const {
  const toml::node& node = required(key, "a whole number");
  const auto value = node.value_exact<std::int64_t>();
  if (!value) fail_type(key, node, "a whole number");
  return *value;
}

double Section::number(std::string_view key, const Bounds& bounds) const {
  return number_of(required(key, "a number"), fmt::format("'{}'", key), bounds);
}

std::optional<double> Section::number_if_any(std::string_view key, const Bounds& bounds) const {
  if (!has(key)) return std::nullopt;
  return number(key, bounds);
}

std::array<double, 2> Section::pair(std::string_view key, const Bounds& bounds) const {
  constexpr const char* form = "two numbers, [left, right]";
  const toml::node& node = required(key, form);
  const toml::array* array = node.as_array();
  if (array == nullptr || array->size() != 2) fail_type(key, node, form);
  return {number_of(*array->get(0), fmt::format("'{}', left,", key), bounds),
          number_of(*array->get(1), fmt::format("'{}', right,", key), bounds)};
}

std::vector<Section::Row> Section::rows(std::string_view key, const RowForm& form) const {
  const std::string shape = fmt::format("[[{}], ...]", form.columns);
  const toml::node& node = required(key, shape);
  const toml::array* array = node.as_array();
  if (array == nullptr) fail_type(key, node, shape);
  std::vector<Row> all;
  for (const toml::node& each : *array) {
    all.push_back(row(each, key, form));
    if (all.size() > 1 && all.back().order <= all[all.size() - 2].order) {
      fail_at(each, fmt::format("'{}' has order {} after {}; sort them, each order once", key,
                                all.back().order, all[all.size() - 2].order));
    }
  }
  return all;
}

Section::Row Section::row(const toml::node& node, std::string_view key, const RowForm& form) const {
  const toml::array* array = node.as_array();
  if (array == nullptr || array->size() != 3) {
    fail_at(node, fmt::format("'{}' has a row that is not [{}]; write three numbers in each", key,
                              form.columns));
  }
  const auto order = array->get(0)->value_exact<std::int64_t>();
  if (!order || *order < form.lowest_order || *order > kHighestOrder) {
    fail_at(*array->get(0), fmt::format("'{}' has an order that is not a whole number of {} to {}; "
                                        "correct it",
                                        key, form.lowest_order, kHighestOrder));
  }
  const std::string what = fmt::format("'{}', order {},", key, *order);
  return {static_cast<int>(*order), number_of(*array->get(1), what, form.first),
          number_of(*array->get(2), what, form.second)};
}

Section Section::section(std::string_view key) const {
  const std::string title = fmt::format("[{}]", path_of(key));
  const toml::node& node = required(key, "a table " + title);
  if (!node.is_table()) fail_type(key, node, "a table " + title);
  return {*node.as_table(), file_, path_of(key), title};
}

std::optional<Section> Section::section_if_any(std::string_view key) const {
  if (!has(key)) return std::nullopt;
  return section(key);
}

std::vector<Section> Section::sections(std::string_view key) const {
  const std::string title = fmt::format("[[{}]]", path_of(key));
  const std::string form = fmt::format("one table {} or more", title);
  const toml::node& node = required(key, form);
  // An empty array is none of tables either.
  if (!node.is_array_of_tables()) fail_type(key, node, form);
  std::vector<Section> all;
  for (const toml::node& each : *node.as_array()) {
    all.push_back(Section(*each.as_table(), file_, path_of(key), title));
  }
  return all;
}

void Section::fail_key(std::string_view key, const std::string& text) const {
  fail_at(*table_->get(key), text);
}

void Section::fail_here(const std::string& text) const {
  fail(file_, table_->source().begin, text);
}

std::string Section::path_of(std::string_view key) const {
  return path_.empty() ? std::string(key) : fmt::format("{}.{}", path_, key);
}

const toml::node& Section::required(std::string_view key, const std::string& form) const {
  const toml::node* node = table_->get(key);
  if (node == nullptr) fail_here(fmt::format("'{}' is missing in {}; add {}", key, title_, form));
  return *node;
}

double Section::number_of(const toml::node& node, const std::string& what,
                          const Bounds& bounds) const {
  double value = 0;
  if (const auto* real = node.as_floating_point()) {
    value = real->get();
  } else if (const auto* whole = node.as_integer()) {
    value = static_cast<double>(whole->get());
  } else {
    fail_at(node, what + " has the wrong type; write a number without quotes or unit");
  }
  if (!std::isfinite(value)) fail_at(node, what + " is not finite; give a number");
  if (value > bounds.high || value < bounds.low || (value == bounds.low && !bounds.takes_low)) {
    fail_at(node, fmt::format("{} is {}, it must be {} {} and at most {}; correct it", what, value,
                              bounds.takes_low ? "at least" : "above", bounds.low, bounds.high));
  }
  return value;
}

void Section::fail_type(std::string_view key, const toml::node& node,
                        const std::string& form) const {
  fail_at(node, fmt::format("'{}' has the wrong type; write {}", key, form));
}

void Section::fail_at(const toml::node& node, const std::string& text) const {
  fail(file_, node.source().begin, text);
}

}  // namespace sinewright
