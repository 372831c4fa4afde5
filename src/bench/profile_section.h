// Reads TOML tables strictly: whatever is missing, unknown, of the wrong type or out of range is
// one line that says where and what to do. All throw Error (kInput) for it.
#pragma once

#include <toml++/toml.h>

#include <array>
#include <cstdint>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace sinewright {

/// Where a number may lie.
struct Bounds {
  double low;
  double high;
  bool takes_low = true;  ///< whether `low` itself is allowed
};

[[nodiscard]] constexpr Bounds above_zero(double high) { return {0, high, false}; }

/// `name` stands for the file in messages.
[[nodiscard]] toml::table parse_toml(const std::string& text, const std::string& name);

/// One table of the file, with what is needed to say where it is wrong. The table must outlive it.
class Section {
 public:
  /// The whole file.
  Section(const toml::table& table, std::string file)
      : Section(table, std::move(file), "", "the profile") {}

  void allow_only(std::initializer_list<std::string_view> keys) const;
  [[nodiscard]] bool has(std::string_view key) const { return table_->contains(key); }

  [[nodiscard]] std::string text(std::string_view key) const;  ///< never empty
  [[nodiscard]] std::string text_or_empty(std::string_view key) const;
  /// A TOML date or the same in quotes, as "2026-11-25".
  [[nodiscard]] std::string date(std::string_view key) const;
  [[nodiscard]] std::int64_t whole_number(std::string_view key) const;
  [[nodiscard]] double number(std::string_view key, const Bounds& bounds) const;
  [[nodiscard]] std::optional<double> number_if_any(std::string_view key,
                                                    const Bounds& bounds) const;
  /// [left, right]
  [[nodiscard]] std::array<double, 2> pair(std::string_view key, const Bounds& bounds) const;

  /// [[order, first, second], ...]: order a whole number of `lowest_order` to 1000, ascending.
  struct Row {
    int order;
    double first, second;
  };
  struct RowForm {
    int lowest_order;
    std::string_view columns;  ///< "order, left, right"
    Bounds first, second;
  };
  [[nodiscard]] std::vector<Row> rows(std::string_view key, const RowForm& form) const;

  [[nodiscard]] Section section(std::string_view key) const;
  [[nodiscard]] std::optional<Section> section_if_any(std::string_view key) const;
  [[nodiscard]] std::vector<Section> sections(std::string_view key) const;  ///< one or more

  /// Fails at the value of `key`, which must exist.
  [[noreturn]] void fail_key(std::string_view key, const std::string& text) const;
  /// Fails at the head of the table.
  [[noreturn]] void fail_here(const std::string& text) const;
  [[nodiscard]] const std::string& title() const { return title_; }  ///< "[load]"

 private:
  Section(const toml::table& table, std::string file, std::string path, std::string title)
      : table_(&table), file_(std::move(file)), path_(std::move(path)), title_(std::move(title)) {}

  [[nodiscard]] std::string path_of(std::string_view key) const;
  [[nodiscard]] const toml::node& required(std::string_view key, const std::string& form) const;
  [[nodiscard]] Row row(const toml::node& node, std::string_view key, const RowForm& form) const;
  [[nodiscard]] double number_of(const toml::node& node, const std::string& what,
                                 const Bounds& bounds) const;
  [[noreturn]] void fail_type(std::string_view key, const toml::node& node,
                              const std::string& form) const;
  [[noreturn]] void fail_at(const toml::node& node, const std::string& text) const;

  const toml::table* table_;
  std::string file_;
  std::string path_;   // "load.calibration"
  std::string title_;  // "[load.calibration]"
};

}  // namespace sinewright
