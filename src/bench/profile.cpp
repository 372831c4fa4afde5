#include "bench/profile.h"

#include <fmt/format.h>
#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <fstream>
#include <initializer_list>
#include <iterator>
#include <string_view>

#include "dsp/units.h"
#include "findings/error.h"

namespace sinewright {
namespace {

constexpr std::int64_t kVersionRead = 1;
// A profile written by hand has a few kilobytes; anything far larger is some other file.
constexpr std::uintmax_t kLargestProfileBytes = 1 << 20;

// FNV-1a, 64 bits (G. Fowler, L. C. Noll, K.-P. Vo; from memory). It names, it does not protect.
std::string hash_of(std::string_view bytes) {
  std::uint64_t hash = 0xcbf29ce484222325;
  for (const char byte : bytes) {
    hash ^= static_cast<unsigned char>(byte);
    hash *= 0x100000001b3;
  }
  return fmt::format("{:016x}", hash);
}

[[noreturn]] void fail(const std::string& file, const toml::source_position& at,
                       const std::string& text) {
  // toml++ gives no position to a table that stands for the whole file.
  throw Error(ExitCode::kInput, fmt::format("{}:{}:{}: {}", file, std::max<unsigned>(1, at.line),
                                            std::max<unsigned>(1, at.column), text));
}

/// One table of the file, with what is needed to say where it is wrong.
class Section {
 public:
  Section(const toml::table& table, std::string file, std::string title)
      : table_(table), file_(std::move(file)), title_(std::move(title)) {}

  void allow_only(std::initializer_list<std::string_view> keys) const {
    for (const auto& [key, node] : table_) {
      if (std::find(keys.begin(), keys.end(), key.str()) == keys.end()) {
        fail(file_, key.source().begin,
             fmt::format("unknown key '{}' in {}; it takes {}", key.str(), title_,
                         fmt::join(keys, ", ")));
      }
    }
  }

  [[nodiscard]] std::string text(std::string_view key) const {
    const toml::node& node = required(key, "text in quotes");
    const auto value = node.value_exact<std::string>();
    if (!value) fail_type(key, node, "text in quotes");
    if (value->empty()) fail_at(node, fmt::format("'{}' is empty; give it a name", key));
    return *value;
  }

  [[nodiscard]] std::string text_or_empty(std::string_view key) const {
    const toml::node* node = table_.get(key);
    if (node == nullptr) return {};
    const auto value = node->value_exact<std::string>();
    if (!value) fail_type(key, *node, "text in quotes");
    return *value;
  }

  /// A number in [low, high]; `low` itself is excluded when it is 0.
  [[nodiscard]] double number(std::string_view key, double low, double high) const {
    const toml::node& node = required(key, "a number");
    if (!node.is_number()) fail_type(key, node, "a number without quotes or unit");
    const double value = *node.value<double>();
    if (!std::isfinite(value)) {
      fail_at(node, fmt::format("'{}' is not finite; give a number", key));
    }
    if (value > high || value < low || (low == 0 && value == 0)) {
      fail_at(node, fmt::format("'{}' is {}, it must be {} {} and at most {}; correct it", key,
                                value, low == 0 ? "above" : "at least", low, high));
    }
    return value;
  }

  [[nodiscard]] std::int64_t version() const {
    const toml::node& node = required("version", fmt::format("{}", kVersionRead));
    const auto value = node.value_exact<std::int64_t>();
    if (!value) fail_type("version", node, "a whole number");
    if (*value > kVersionRead) {
      fail_at(node, fmt::format("version {} is later than this program reads ({}); update the "
                                "program, or use a profile of version {}",
                                *value, kVersionRead, kVersionRead));
    }
    if (*value < kVersionRead) {
      fail_at(node,
              fmt::format("version {} does not exist; write version = {}", *value, kVersionRead));
    }
    return *value;
  }

  [[nodiscard]] Section section(std::string_view key) const {
    const toml::node& node = required(key, fmt::format("a table [{}]", key));
    if (!node.is_table()) fail_type(key, node, fmt::format("a table [{}]", key));
    return {*node.as_table(), file_, fmt::format("[{}]", key)};
  }

  [[nodiscard]] std::vector<Section> sections(std::string_view key) const {
    const std::string form = fmt::format("one table [[{}]] or more", key);
    const toml::node& node = required(key, form);
    if (!node.is_array_of_tables()) fail_type(key, node, form);
    std::vector<Section> all;
    for (const toml::node& each : *node.as_array()) {
      all.emplace_back(*each.as_table(), file_, fmt::format("[[{}]]", key));
    }
    return all;
  }

  /// Fails at the value of `key`, which must exist.
  [[noreturn]] void fail_key(std::string_view key, const std::string& text) const {
    fail_at(*table_.get(key), text);
  }

 private:
  [[nodiscard]] const toml::node& required(std::string_view key, const std::string& form) const {
    const toml::node* node = table_.get(key);
    if (node == nullptr) {
      fail(file_, table_.source().begin,
           fmt::format("'{}' is missing in {}; add {}", key, title_, form));
    }
    return *node;
  }

  [[noreturn]] void fail_type(std::string_view key, const toml::node& node,
                              const std::string& form) const {
    fail_at(node, fmt::format("'{}' has the wrong type; write {}", key, form));
  }

  [[noreturn]] void fail_at(const toml::node& node, const std::string& text) const {
    fail(file_, node.source().begin, text);
  }

  const toml::table& table_;
  std::string file_;
  std::string title_;
};

std::vector<Range> read_ranges(const Section& root) {
  std::vector<Range> ranges;
  for (const Section& section : root.sections("range")) {
    section.allow_only({"name", "ratio"});
    Range range;
    range.name = section.text("name");
    range.ratio = section.number("ratio", 0, 1e6);
    const bool is_taken = std::any_of(ranges.begin(), ranges.end(),
                                      [&](const Range& other) { return other.name == range.name; });
    if (is_taken) {
      section.fail_key(
          "name", fmt::format("a second range is named '{}'; give each its own name", range.name));
    }
    ranges.push_back(range);
  }
  std::stable_sort(ranges.begin(), ranges.end(),
                   [](const Range& a, const Range& b) { return a.ratio > b.ratio; });
  return ranges;
}

Load read_load(const Section& section) {
  section.allow_only({"resistance_ohm", "rated_w"});
  Load load;
  load.resistance_ohm = section.number("resistance_ohm", 0, 1e6);
  load.rated_w = section.number("rated_w", 0, 1e5);
  return load;
}

double read_power_limit_w(const Section& section, const Load& load) {
  section.allow_only({"power_limit_w"});
  const double limit_w = section.number("power_limit_w", 0, 1e5);
  if (limit_w > load.rated_w) {
    section.fail_key(
        "power_limit_w",
        fmt::format("'power_limit_w' is {}, above the {} W that the load is rated for; "
                    "lower it, or use a larger load",
                    limit_w, load.rated_w));
  }
  return limit_w;
}

toml::table parse(const std::string& text, const std::string& name) {
  try {
    return toml::parse(text, name);
  } catch (const toml::parse_error& error) {
    std::string what(error.description());
    std::replace(what.begin(), what.end(), '\n', ' ');
    fail(name, error.source().begin, fmt::format("not valid TOML: {}; correct it", what));
  }
}

}  // namespace

Profile parse_profile(const std::string& text, const std::string& name) {
  const toml::table table = parse(text, name);
  const Section root(table, name, "the profile");
  // The version first: in a later one, keys unknown here may be right.
  static_cast<void>(root.version());
  root.allow_only({"version", "name", "sound_card", "range", "load", "limits"});

  Profile profile{};
  profile.hash = hash_of(text);
  profile.name = root.text("name");

  const Section card = root.section("sound_card");
  card.allow_only({"input_device", "output_device", "sample_rate_hz", "input_full_scale_vrms",
                   "output_full_scale_vrms"});
  profile.input_device = card.text_or_empty("input_device");
  profile.output_device = card.text_or_empty("output_device");
  profile.sample_rate_hz = card.number("sample_rate_hz", 8000, 768000);
  profile.input_full_scale_vrms = card.number("input_full_scale_vrms", 0, 1000);
  profile.output_full_scale_vrms = card.number("output_full_scale_vrms", 0, 1000);

  profile.ranges = read_ranges(root);
  profile.load = read_load(root.section("load"));
  profile.power_limit_w = read_power_limit_w(root.section("limits"), profile.load);
  return profile;
}

Profile read_profile(const std::filesystem::path& path) {
  const auto refuse = [&](const char* what) {
    throw Error(ExitCode::kInput, fmt::format("{}: {}; give a bench profile, such as those in "
                                              "calibration/",
                                              path.string(), what));
  };
  std::error_code error;
  const auto status = std::filesystem::status(path, error);
  if (!std::filesystem::exists(status)) refuse("no such file");
  if (std::filesystem::is_directory(status)) refuse("is a directory");
  std::ifstream in(path, std::ios::binary);
  if (!in) refuse("cannot be opened");

  // Read to the bound, not to the end: a device has no size and may have no end.
  std::string text(kLargestProfileBytes + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (in.bad()) refuse("cannot be read");
  text.resize(static_cast<std::size_t>(in.gcount()));
  if (text.size() > kLargestProfileBytes) refuse("larger than 1 MiB, so no bench profile");
  return parse_profile(text, path.string());
}

Chain::Chain(Profile profile, const std::string& range) : profile_(std::move(profile)) {
  std::vector<std::string> names;
  for (const Range& each : profile_.ranges) {
    if (each.name == range || (range.empty() && names.empty())) {
      range_ = each;
      return;
    }
    names.push_back(each.name);
  }
  throw Error(ExitCode::kUsage, fmt::format("range '{}' is not in bench profile '{}'; it has {}",
                                            range, profile_.name, fmt::join(names, ", ")));
}

bool Chain::has_calibrated_volts(std::size_t channel) const {
  return channel < 2 && range_.calibration && range_.calibration->channels[channel];
}

bool Chain::has_calibrated_watts(std::size_t channel) const {
  return has_calibrated_volts(channel) && profile_.load.calibration;
}

double Chain::full_scale_vrms(std::size_t channel) const {
  if (has_calibrated_volts(channel)) return range_.calibration->channels[channel]->full_scale_vrms;
  return profile_.input_full_scale_vrms * range_.ratio;
}

double Chain::load_ohm(std::size_t channel) const {
  const std::optional<LoadCalibration>& measured = profile_.load.calibration;
  return measured && channel < 2 ? measured->resistance_ohm[channel] : profile_.load.resistance_ohm;
}

double Chain::volts_of_rms(double rms, std::size_t channel) const {
  return rms / kFullScaleRms * full_scale_vrms(channel);
}

double Chain::watts_of_volts(double vrms, std::size_t channel) const {
  return vrms * vrms / load_ohm(channel);
}

double Chain::volts_of_watts(double watts, std::size_t channel) const {
  return std::sqrt(watts * load_ohm(channel));
}

double Chain::dbfs_of_volts(double vrms, std::size_t channel) const {
  return db_of_amplitude_ratio(vrms / full_scale_vrms(channel));
}

}  // namespace sinewright
