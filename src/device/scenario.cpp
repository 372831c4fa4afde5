#include "device/scenario.h"

#include <fmt/format.h>
#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <iterator>
#include <set>

#include "dsp/units.h"
#include "findings/error.h"

namespace sinewright {
namespace {

struct Bounds {
  double lowest;
  double highest;
};

/// One table of the file. Every key is asked for by name; finish() complains of any other.
class Table {
 public:
  Table(const toml::table& table, std::string title, const std::string& file)
      : table_(table), title_(std::move(title)), file_(file) {}

  [[noreturn]] void fail(const toml::source_region& where, const std::string& what) const {
    throw Error(ExitCode::kInput,
                fmt::format("{}:{}:{}: {}", file_, where.begin.line, where.begin.column, what));
  }

  [[nodiscard]] double number(const char* key, Bounds bounds) {
    return checked_number(need(key), label(key), bounds);
  }

  [[nodiscard]] std::int64_t integer(const char* key, Bounds bounds) {
    const toml::node& node = need(key);
    if (!node.is_integer()) fail(node.source(), label(key) + ": not an integer");
    return static_cast<std::int64_t>(checked_number(node, label(key), bounds));
  }

  [[nodiscard]] std::string text(const char* key) {
    const toml::node& node = need(key);
    const auto value = node.value_exact<std::string>();
    if (!value || value->empty()) fail(node.source(), label(key) + ": not a text in quotes");
    return *value;
  }

  [[nodiscard]] std::vector<double> numbers(const char* key, Bounds bounds) {
    const toml::node& node = need(key);
    const toml::array* array = node.as_array();
    if (array == nullptr) fail(node.source(), label(key) + ": not a list in [ ]");
    std::vector<double> values;
    for (const toml::node& item : *array) {
      values.push_back(checked_number(item, label(key), bounds));
    }
    return values;
  }

  [[nodiscard]] Table table(const char* key) {
    const toml::node& node = need(key);
    const std::string title = title_.empty() ? key : title_ + "." + key;
    if (!node.is_table()) fail(node.source(), label(key) + ": not a table; write [" + title + "]");
    return {*node.as_table(), title, file_};
  }

  [[nodiscard]] std::vector<Table> tables(const char* key) {
    const toml::node& node = need(key);
    const toml::array* array = node.as_array();
    std::vector<Table> result;
    if (array != nullptr) {
      for (const toml::node& item : *array) {
        if (item.is_table()) result.emplace_back(*item.as_table(), key, file_);
      }
    }
    if (result.empty() || result.size() != array->size()) {
      fail(node.source(), fmt::format("{}: write one or more [[{}]]", label(key), key));
    }
    return result;
  }

  [[nodiscard]] const toml::source_region& where(const char* key) const {
    return table_.get(key)->source();
  }

  /// Call last: whatever was not asked for is a mistake in the file.
  void finish() const {
    for (const auto& [key, node] : table_) {
      if (known_.count(key.str()) == 0) {
        fail(key.source(), label(key.str()) + ": unknown key; correct its spelling or remove it");
      }
    }
  }

 private:
  [[nodiscard]] std::string label(std::string_view key) const {
    return title_.empty() ? std::string(key) : fmt::format("[{}] {}", title_, key);
  }

  [[nodiscard]] const toml::node& need(const char* key) {
    known_.insert(key);
    const toml::node* node = table_.get(key);
    if (node == nullptr) fail(table_.source(), label(key) + ": missing; add it");
    return *node;
  }

  [[nodiscard]] double checked_number(const toml::node& node, const std::string& name,
                                      Bounds bounds) const {
    if (!node.is_number()) fail(node.source(), name + ": not a number");
    const double value = *node.value<double>();
    if (!(value >= bounds.lowest && value <= bounds.highest)) {
      fail(node.source(),
           fmt::format("{} = {}: must be {} to {}", name, value, bounds.lowest, bounds.highest));
    }
    return value;
  }

  const toml::table& table_;
  std::string title_;
  const std::string& file_;
  std::set<std::string, std::less<>> known_;
};

// The bounds keep a scenario physical and within what the simulation gets right: frequencies far
// below its inner rate, bends wide enough not to alias.
constexpr Bounds kCurve = {-0.05, 0.05};
constexpr Bounds kConverterNoiseDbfs = {-160, -40};

Polynomial read_curve(Table table) {
  const Polynomial curve = {table.number("second", kCurve), table.number("third", kCurve),
                            table.number("fifth", kCurve)};
  table.finish();
  return curve;
}

SoundCard read_sound_card(Table table) {
  SoundCard card = {};
  card.output_full_scale_vrms = table.number("output_full_scale_vrms", {0.05, 20});
  card.output_noise_dbfs = table.number("output_noise_dbfs", kConverterNoiseDbfs);
  card.output_curve = read_curve(table.table("output_curve"));
  card.input_full_scale_vrms = table.number("input_full_scale_vrms", {0.05, 20});
  card.input_noise_dbfs = table.number("input_noise_dbfs", kConverterNoiseDbfs);
  card.input_curve = read_curve(table.table("input_curve"));
  card.input_high_pass_hz = table.number("input_high_pass_hz", {0.01, 10});
  card.loop_delay_frames = static_cast<int>(table.integer("loop_delay_frames", {0, 100000}));
  table.finish();
  return card;
}

std::vector<BenchRange> read_ranges(Table& root) {
  std::vector<BenchRange> ranges;
  for (Table& table : root.tables("range")) {
    ranges.push_back({table.text("name"), table.number("ratio", {0.01, 10000})});
    table.finish();
  }
  return ranges;
}

VolumeControl read_volume(Table table) {
  VolumeControl volume = {};
  volume.start_db = table.number("start_db", {-120, 0});
  volume.position_db = table.numbers("position_db", {-120, 0});
  volume.left_minus_right_db = table.numbers("left_minus_right_db", {-12, 12});
  const auto& positions = volume.position_db;
  if (positions.empty() || positions.size() != volume.left_minus_right_db.size()) {
    table.fail(table.where("left_minus_right_db"),
               "[receiver.volume] left_minus_right_db: needs one value for each of position_db");
  }
  if (!std::is_sorted(positions.begin(), positions.end(), std::less_equal<>())) {
    table.fail(table.where("position_db"),
               "[receiver.volume] position_db: must rise from each value to the next");
  }
  table.finish();
  return volume;
}

Supply read_supply(Table table) {
  Supply supply = {};
  supply.positive_v = table.number("positive_v", {5, 200});
  supply.negative_v = table.number("negative_v", {5, 200});
  supply.resistance_ohm = table.number("resistance_ohm", {0, 5});
  supply.time_constant_s = table.number("time_constant_s", {0.01, 2});
  // Narrower than this the bend would alias: see tests/src/simulated_bench_test.cpp.
  const double narrowest = 0.02 * std::min(supply.positive_v, supply.negative_v);
  supply.knee_v = table.number("knee_v", {narrowest, 5});
  table.finish();
  return supply;
}

std::vector<SimulatedHumLine> read_hum(Table table) {
  const std::vector<double> order = table.numbers("order", {1, 200});
  const std::vector<double> level = table.numbers("level_vrms", {0, 10});
  const std::vector<double> phase = table.numbers("phase_deg", {-360, 360});
  if (level.size() != order.size() || phase.size() != order.size()) {
    table.fail(table.where("order"), "hum: order, level_vrms and phase_deg differ in length");
  }
  std::vector<SimulatedHumLine> lines;
  for (std::size_t k = 0; k < order.size(); ++k) {
    if (order[k] != std::floor(order[k])) table.fail(table.where("order"), "hum: order not whole");
    lines.push_back({static_cast<int>(order[k]), level[k], phase[k]});
  }
  table.finish();
  return lines;
}

ReceiverChannel read_channel(Table table) {
  ReceiverChannel channel = {};
  channel.low_cut_hz = table.number("low_cut_hz", {0.1, 100});
  channel.high_cut_hz = table.number("high_cut_hz", {10e3, 200e3});
  channel.curve = read_curve(table.table("curve"));
  channel.crossover_v = table.number("crossover_v", {0, 2});
  channel.crossover_width_v = table.number("crossover_width_v", {0.5, 20});
  channel.output_noise_vrms = table.number("output_noise_vrms", {0, 1});
  channel.hum = read_hum(table.table("hum"));
  table.finish();
  return channel;
}

Receiver read_receiver(Table table) {
  Receiver receiver = {};
  receiver.name = table.text("name");
  receiver.rated_w = table.number("rated_w", {0.1, 1000});
  receiver.gain_db = table.number("gain_db", {0, 80});
  // Never zero: filters that decay into denormal numbers run a hundred times slower.
  receiver.input_noise_vrms = table.number("input_noise_vrms", {1e-9, 0.1});
  receiver.output_impedance_ohm = table.number("output_impedance_ohm", {0, 10});
  receiver.crosstalk_db = table.number("crosstalk_db", {-160, -10});
  receiver.crosstalk_corner_hz = table.number("crosstalk_corner_hz", {10, 100e3});
  receiver.volume = read_volume(table.table("volume"));
  receiver.supply = read_supply(table.table("supply"));
  receiver.channels[kLeft] = read_channel(table.table("left"));
  receiver.channels[kRight] = read_channel(table.table("right"));
  table.finish();
  return receiver;
}

Scenario read_root(Table root) {
  Scenario scenario = {};
  (void)root.integer("scenario", {1, 1});  // the format's version
  scenario.name = root.text("name");
  scenario.noise_seed = static_cast<std::uint64_t>(root.integer("noise_seed", {0, 0x1p53}));
  scenario.load_ohm = root.number("load_ohm", {1, 1000});
  scenario.mains_frequency_hz = root.number("mains_frequency_hz", {40, 70});
  scenario.sound_card = read_sound_card(root.table("sound_card"));
  scenario.ranges = read_ranges(root);
  scenario.receiver = read_receiver(root.table("receiver"));
  root.finish();
  return scenario;
}

}  // namespace

double Scenario::rated_peak_v() const { return std::sqrt(2 * receiver.rated_w * load_ohm); }

const BenchRange& Scenario::range(std::string_view wanted) const {
  std::string names;
  for (const BenchRange& each : ranges) {
    if (each.name == wanted) return each;
    names += (names.empty() ? "" : ", ") + each.name;
  }
  throw Error(
      ExitCode::kUsage,
      fmt::format("range \"{}\": the simulated bench has {}; name one of these", wanted, names));
}

double Scenario::volume_gain(double position_db, std::size_t channel) const {
  const auto& x = receiver.volume.position_db;
  const auto& y = receiver.volume.left_minus_right_db;
  double error_db = position_db <= x.front() ? y.front() : y.back();
  for (std::size_t k = 1; k < x.size(); ++k) {
    if (position_db <= x[k - 1] || position_db > x[k]) continue;
    error_db = std::lerp(y[k - 1], y[k], (position_db - x[k - 1]) / (x[k] - x[k - 1]));
  }
  const double half_db = error_db / 2;
  return amplitude_ratio_of_db(position_db + (channel == kLeft ? half_db : -half_db));
}

Scenario parse_scenario(std::string_view text, const std::string& name) {
  try {
    const toml::table root = toml::parse(text);
    return read_root(Table(root, "", name));
  } catch (const toml::parse_error& error) {
    const toml::source_position at = error.source().begin;
    throw Error(ExitCode::kInput, fmt::format("{}:{}:{}: not valid TOML: {}; correct it", name,
                                              at.line, at.column, error.description()));
  }
}

Scenario read_scenario(const std::filesystem::path& path) {
  if (!std::filesystem::is_regular_file(path)) {
    throw Error(ExitCode::kInput, path.string() + ": no such scenario file; see calibration/");
  }
  std::ifstream file(path, std::ios::binary);
  if (!file) throw Error(ExitCode::kInput, path.string() + ": cannot be read; check permissions");
  const std::string text{std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  return parse_scenario(text, path.string());
}

}  // namespace sinewright
