#include "bench/profile_file.h"

#include <fmt/format.h>

#include <cmath>
#include <fstream>
#include <iterator>
#include <optional>
#include <stdexcept>
#include <string_view>

#include "findings/atomic_file.h"
#include "findings/error.h"

namespace sinewright {
namespace {

namespace fs = std::filesystem;

// The shortest text that reads back to the same bits; with a point, or -0 would lose its sign.
std::string number(double value) {
  std::string text = fmt::format("{}", value);
  if (text.find_first_of(".en") == std::string::npos) text += ".0";
  return text;
}

std::string in_quotes(std::string_view text) {
  std::string result = "\"";
  for (const char each : text) {
    const auto byte = static_cast<unsigned char>(each);
    if (each == '"' || each == '\\') {
      result += {'\\', each};
    } else if (byte < 0x20 || byte == 0x7f) {
      result += fmt::format("\\u{:04X}", byte);
    } else {
      result += each;  // UTF-8 stands as it is
    }
  }
  return result + '"';
}

std::string left_right(const std::array<double, 2>& values) {
  return fmt::format("[{}, {}]", number(values[0]), number(values[1]));
}

/// Lines of TOML, each with a comment that says what it is.
class Lines {
 public:
  void blank() { text_ += '\n'; }
  void comment(std::string_view what) { text_ += fmt::format("# {}\n", what); }
  void table(std::string_view name) { text_ += fmt::format("\n[{}]\n", name); }
  void entry(std::string_view key, const std::string& value, std::string_view what = {}) {
    const std::string assignment = fmt::format("{} = {}", key, value);
    text_ += what.empty() ? assignment + '\n' : fmt::format("{:<39} # {}\n", assignment, what);
  }
  void entry(std::string_view key, double value, std::string_view what = {}) {
    entry(key, number(value), what);
  }
  [[nodiscard]] std::string text() && { return std::move(text_); }

 private:
  std::string text_;
};

void write_scale(Lines& lines, const std::string& table,
                 const std::optional<ScaleCalibration>& scale) {
  if (!scale) return;
  lines.table(table);
  lines.entry("full_scale_vrms", scale->full_scale_vrms,
              "a sine of this is 0 dBFS; from these two:");
  lines.entry("meter_v", scale->meter_v, "what the meter read, V RMS");
  lines.entry("level_dbfs", scale->level_dbfs, "the converter's level at that time");
  lines.entry("repeatability", scale->repeatability,
              "standard deviation of that level, relative (0.01 is 1 %)");
}

void write_scales(Lines& lines, const std::string& table, const std::string& command,
                  const std::optional<ScaleCalibrations>& scales) {
  if (!scales) return;
  lines.table(table);
  lines.comment(fmt::format("Written by \"sinewright calibrate {}\".", command));
  lines.entry("date", scales->date);
  lines.entry("device", in_quotes(scales->device), "the sound card at that time");
  if (scales->sample_rate_hz) lines.entry("sample_rate_hz", *scales->sample_rate_hz, "likewise");
  lines.entry("frequency_hz", scales->frequency_hz, "of the tone that was read");
  lines.entry("drive_dbfs", scales->drive_dbfs, "level at which it was played");
  if (scales->is_through_unit) {
    lines.entry("at", in_quotes("terminals"), "of a unit; not at the divider's top");
  }
  lines.entry("meter_percent", scales->meter.percent, "the meter's data sheet: +-(% of reading");
  lines.entry("meter_digits", scales->meter.digits, "+ digits of the last place)");
  lines.entry("meter_resolution_v", scales->meter.resolution, "one digit of its display, V");
  write_scale(lines, table + ".left", scales->channels[0]);
  write_scale(lines, table + ".right", scales->channels[1]);
}

void write_sound_card(Lines& lines, const Profile& profile) {
  lines.table("sound_card");
  lines.comment(
      "Index, exact name, or a part of it that only one device has, as \"sinewright "
      "devices\" lists");
  lines.comment("them; without the line, the system's default.");
  if (!profile.input_device.empty()) lines.entry("input_device", in_quotes(profile.input_device));
  if (!profile.output_device.empty())
    lines.entry("output_device", in_quotes(profile.output_device));
  lines.entry("sample_rate_hz", profile.sample_rate_hz);
  lines.entry("input_full_scale_vrms", profile.input_full_scale_vrms,
              "nominal: a sine of this reads 0 dBFS");
  lines.entry("output_full_scale_vrms", profile.output_full_scale_vrms,
              "nominal: a sine of 0 dBFS comes out so");
  lines.entry("stability_percent", profile.stability_percent,
              "gain may change so much after calibrating");
  lines.entry("clock_ppm", profile.clock_ppm, "the sound card's clock is off by at most this");
  write_scales(lines, "sound_card.output_calibration", "output", profile.output_calibration);
}

void write_ranges(Lines& lines, const std::vector<Range>& ranges) {
  lines.blank();
  lines.comment(
      "The divider's positions. ratio: nominal volts at the amplifier's terminals per volt "
      "at the");
  lines.comment("sound card's input, with the sound card connected.");
  for (const Range& range : ranges) {
    lines.table("[range]");
    lines.entry("name", in_quotes(range.name));
    lines.entry("ratio", range.ratio);
    if (range.loss_20khz_db > 0) {
      lines.entry("loss_20khz_db", range.loss_20khz_db, "divider and cable lose at most this");
    }
    write_scales(lines, "range.calibration", "input", range.calibration);
  }
}

void write_load(Lines& lines, const Load& load) {
  lines.table("load");
  lines.entry("resistance_ohm", load.resistance_ohm, "nominal");
  lines.entry("rated_w", load.rated_w,
              load.rated_s ? "each channel, for rated_s" : "each channel, continuous");
  if (load.rated_s) lines.entry("rated_s", *load.rated_s, "seconds; then it must cool down");
  if (load.continuous_w) lines.entry("continuous_w", *load.continuous_w, "each channel, for ever");
  if (!load.calibration) return;
  const LoadCalibration& measured = *load.calibration;
  lines.table("load.calibration");
  lines.comment("Written by \"sinewright calibrate load\".");
  lines.entry("date", measured.date);
  lines.entry("meter_percent", measured.meter.percent, "the meter's data sheet: +-(% of reading");
  lines.entry("meter_digits", measured.meter.digits, "+ digits of the last place)");
  lines.entry("meter_resolution_ohm", measured.meter.resolution, "one digit of its display, ohm");
  lines.entry("left_ohm", measured.resistance_ohm[0], "measured, the meter's leads subtracted");
  lines.entry("right_ohm", measured.resistance_ohm[1]);
  lines.entry("lead_ohm", measured.lead_ohm, "what the leads, joined, read");
  lines.entry("temperature_ppm_per_k", measured.temperature_ppm_per_k, "of the load's resistance");
  lines.entry("temperature_rise_k", measured.temperature_rise_k,
              "from measured to in use; 0: measured hot");
}

std::string tone_channel(const LoopbackTone::Channel& channel) {
  std::string harmonics;
  for (const ResidualHarmonic& each : channel.harmonics) {
    harmonics += fmt::format("{}[{}, {}, {}]", harmonics.empty() ? "" : ", ", each.order,
                             number(each.level_dbc), number(each.phase_deg));
  }
  return fmt::format("{{ level_dbfs = {}, noise_dbfs = {}, floor_dbc = {}, harmonics = [{}] }}",
                     number(channel.level_dbfs), number(channel.noise_dbfs),
                     number(channel.floor_dbc), harmonics);
}

void write_tones(Lines& lines, const std::string& table, const std::vector<LoopbackTone>& tones) {
  for (const LoopbackTone& tone : tones) {
    lines.table(table);
    lines.entry("frequency_hz", tone.frequency_hz);
    lines.entry("drive_dbfs", tone.drive_dbfs);
    lines.entry("phase_deg", tone.phase_deg);
    lines.entry("left", tone_channel(tone.channels[0]));
    lines.entry("right", tone_channel(tone.channels[1]));
  }
}

void write_all_tones(Lines& lines, const Loopback& loopback) {
  lines.blank();
  lines.comment(
      "Each tone: what was played, phase of right minus left, and how each channel read it: "
      "level,");
  lines.comment(
      "noise in the band without harmonics, harmonics [order, dBc, degrees] and the floor "
      "below which");
  lines.comment(
      "those lie that are not listed. Degrees: of the harmonic less order times the "
      "tone's, as cosines.");
  write_tones(lines, "[loopback.tone]", loopback.tones);
  if (loopback.output_tones.empty()) return;
  lines.blank();
  lines.comment("The same through the divider: the output converter (nearly) alone.");
  write_tones(lines, "[loopback.output_tone]", loopback.output_tones);
}

void write_loopback(Lines& lines, const Loopback& loopback) {
  lines.table("loopback");
  lines.comment(
      "The sound card by itself, output wired to input. Written by \"sinewright calibrate "
      "loopback\".");
  lines.entry("date", loopback.date);
  lines.entry("device", in_quotes(loopback.device), "the sound card at that time");
  if (loopback.sample_rate_hz) lines.entry("sample_rate_hz", *loopback.sample_rate_hz, "likewise");
  lines.entry("band_low_hz", loopback.band_low_hz, "noise is of this band");
  lines.entry("band_high_hz", loopback.band_high_hz);
  lines.entry("silent_noise_dbfs", left_right(loopback.silent_noise_dbfs),
              "[left, right], nothing played");
  if (loopback.input_noise_dbfs) {
    lines.entry("input_noise_dbfs", left_right(*loopback.input_noise_dbfs),
                "input terminated, output unplugged");
  }
  std::string rows;
  for (const LoopbackHum& each : loopback.hum) {
    rows += fmt::format("{}[{}, {}, {}]", rows.empty() ? "" : ", ", each.order,
                        number(each.level_dbfs[0]), number(each.level_dbfs[1]));
  }
  lines.comment("Mains lines with nothing played: [multiple of the mains, left dBFS, right dBFS]");
  lines.entry("hum", fmt::format("[{}]", rows));
  write_all_tones(lines, loopback);
}

std::string text_of(const Profile& profile) {
  Lines lines;
  lines.comment(
      "Bench profile: the chain from sample value to watts. Written by \"sinewright "
      "calibrate\", made to");
  lines.comment("be edited by hand; the file before this one is kept beside it as \".previous\".");
  lines.comment(
      "Volts are RMS. Calibrated figures win over nominal ones. docs/wiring.md shows how "
      "the parts connect.");
  lines.blank();
  lines.entry("version", "1", "of this file's format");
  lines.entry("name", in_quotes(profile.name));
  write_sound_card(lines, profile);
  write_ranges(lines, profile.ranges);
  write_load(lines, profile.load);
  lines.table("limits");
  lines.entry("power_limit_w", profile.power_limit_w, "at most the load's rating; each channel");
  lines.entry("dwell_s", profile.dwell_s, "longest above 10 kHz at more than a quarter of it");
  if (profile.loopback) write_loopback(lines, *profile.loopback);
  return std::move(lines).text();
}

/// The bytes of a regular file that stands there; nullopt where none does.
std::optional<std::string> bytes_of(const fs::path& path) {
  std::error_code error;
  if (!fs::is_regular_file(path, error)) return std::nullopt;
  std::ifstream in(path, std::ios::binary);
  std::string bytes(std::istreambuf_iterator<char>(in), {});
  if (!in.is_open() || in.bad()) {
    throw Error(ExitCode::kFailure,
                fmt::format("{}: not written: what stands there cannot be read to be kept; choose "
                            "another place, or make it readable",
                            path.string()));
  }
  return bytes;
}

}  // namespace

std::string to_toml(const Profile& profile) {
  std::string text = text_of(profile);
  // What would not be read back must not replace a profile that is.
  Profile back;
  try {
    back = parse_profile(text, "profile");
  } catch (const Error& error) {
    throw std::invalid_argument(std::string("a profile that cannot be read back: ") + error.what());
  }
  back.hash = profile.hash;
  if (back != profile) {
    throw std::invalid_argument("a profile that reads back otherwise: ranges by falling ratio?");
  }
  return text;
}

void write_profile(const fs::path& path, const Profile& profile) {
  const std::string text = to_toml(profile);
  const std::optional<std::string> before = bytes_of(path);
  if (before == text) return;  // or the file before this one would be lost for nothing
  AtomicFile file(path);
  file.stream() << text << std::flush;
  // Only once the new file is on the disk: a full disk must not cost the one kept before.
  if (before && file.stream()) write_atomically(fs::path(path).concat(".previous"), *before);
  file.commit();
}

}  // namespace sinewright
