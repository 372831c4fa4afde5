// sinewright tone: plays a test signal, or writes it to a file.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <memory>

#include "cli/bench_setup.h"
#include "cli/commands.h"
#include "cli/console.h"
#include "cli/options.h"
#include "cli/terminal_progress.h"
#include "cli/test_signal.h"
#include "cli/values.h"
#include "device/recording.h"
#include "findings/error.h"

namespace sinewright {
namespace {

constexpr double kWrittenDuration_s = 10;
constexpr double kDefaultRate_hz = 48000;
constexpr double kChunk_s = 0.02;
constexpr int kChannels = 2;
// With the volume at its usual place a whisper; what calibrations begin with.
constexpr double kUnconfirmed_dbfs = -40;

struct ToneOptions {
  TestSignalSettings signal;
  std::size_t noise = 0;     ///< index of the word
  std::size_t channels = 0;  ///< likewise
  std::size_t format = 1;    ///< likewise
  int seed = 1;
  std::optional<double> duration_s;
  std::string path;
  bool is_confirmed = false;
  BenchOptions bench;
};

std::uint32_t mask_of(std::size_t channels) {
  if (channels == 1) return 1U;
  if (channels == 2) return 2U;
  return ~0U;
}

SampleFormat format_of_word(std::size_t word) {
  constexpr SampleFormat kFormats[] = {SampleFormat::kInt16, SampleFormat::kInt24,
                                       SampleFormat::kFloat32, SampleFormat::kFloat64};
  return kFormats[word];
}

double written_rate_hz(const ToneOptions& options) {
  const std::optional<Chain> chain = chain_of(options.bench);
  return chain ? rate_of(options.bench, chain) : options.bench.rate_hz.value_or(kDefaultRate_hz);
}

int write_signal(const ToneOptions& options) {
  const SampleRate fs{written_rate_hz(options)};
  FadedSignal signal(make_test_signal(options.signal, fs), fs,
                     options.duration_s.value_or(kWrittenDuration_s), mask_of(options.channels));
  RecordingWriter writer(options.path, fs, kChannels, format_of_word(options.format),
                         options.signal.seed);
  const auto total = static_cast<std::int64_t>(
      std::llround(options.duration_s.value_or(kWrittenDuration_s) * fs.hz));
  TerminalProgress progress;
  std::vector<double> frames;
  while (signal.position() < total) {
    if (progress.is_cancelled()) {
      throw Error(ExitCode::kFailure, options.path + ": interrupted, nothing written");
    }
    frames.resize(
        static_cast<std::size_t>(std::min<std::int64_t>(4096, total - signal.position())) *
        kChannels);
    signal.fill(frames, kChannels);
    writer.write(frames);
    progress.report(static_cast<double>(signal.position()) / static_cast<double>(total),
                    options.path);
  }
  writer.finish();
  return 0;
}

/// Of two tones together.
double highest_dbfs(const TestSignalSettings& signal) {
  if (signal.is_silent) return -std::numeric_limits<double>::infinity();
  const bool is_noise = signal.is_white || signal.is_pink;
  const double tones = is_noise ? 1 : static_cast<double>(signal.frequencies_hz.size());
  return signal.level_dbfs + db_of_power_ratio(tones);
}

/// A bench profile says that an amplifier hangs on the output; no input is read that would tell
/// what it makes of the tone.
void check_level_at_bench(const ToneOptions& options) {
  if (options.is_confirmed || highest_dbfs(options.signal) <= kUnconfirmed_dbfs) return;
  throw Error(ExitCode::kRefused,
              fmt::format("tone --level {:g} --bench: hears no input and cuts nothing, so above "
                          "{:g} dBFS it plays only after the checklist in docs/safety.md; give "
                          "--confirmed then, or a lower --level",
                          options.signal.level_dbfs, kUnconfirmed_dbfs));
}

int play_signal(const ToneOptions& options) {
  const std::optional<Chain> chain = chain_of(options.bench);
  if (chain) check_level_at_bench(options);
  const double rate_hz = rate_of(options.bench, chain);
  auto inner = make_test_signal(options.signal, SampleRate{rate_hz});
  const OpenedStream opened = open_stream_of(options.bench, chain, Devices::kOutput);
  Stream& stream = *opened.stream;
  warn_of_shared_output(stream);
  print_error(
      chain ? "sinewright: tone reads no input: it knows no watts and cuts nothing; start low\n"
            : "sinewright: no bench profile: watts are not known and nothing is cut; start "
              "low\n");
  const auto signal = std::make_shared<FadedSignal>(std::move(inner), stream.sample_rate(),
                                                    options.duration_s, mask_of(options.channels));
  stream.play(signal);
  TerminalProgress progress;
  std::vector<double> frames(static_cast<std::size_t>(kChunk_s * rate_hz) *
                             static_cast<std::size_t>(stream.channels()));
  while (!signal->is_over()) {
    if (progress.is_cancelled()) signal->finish();
    if (stream.read(frames) == 0) break;
    const double played_s = static_cast<double>(signal->position()) / rate_hz;
    if (options.duration_s) {
      progress.report(played_s / *options.duration_s, "playing");
    } else {
      progress.report(0, fmt::format("playing, {:.0f} s; Ctrl-C ends it", played_s));
    }
  }
  // The destructor of the stream lets what is queued play out.
  if (!options.duration_s || !progress.is_cancelled()) return 0;
  throw Error(ExitCode::kFailure, "interrupted; the output was ramped down");
}

void check_options(const CLI::App& command, ToneOptions& options) {
  TestSignalSettings& signal = options.signal;
  if (signal.frequencies_hz.size() > 2) {
    throw Error(ExitCode::kUsage,
                fmt::format("--frequency given {} times: one or two tones can be played",
                            signal.frequencies_hz.size()));
  }
  if (command.count("--noise") > 0) {
    signal.is_white = options.noise == 0;
    signal.is_pink = options.noise == 1;
  }
  signal.seed = static_cast<std::uint64_t>(options.seed);
  const bool has_tone = command.count("--frequency") > 0;
  const int kinds = static_cast<int>(has_tone) + static_cast<int>(command.count("--noise") > 0) +
                    static_cast<int>(signal.is_silent);
  if (kinds > 1) {
    throw Error(ExitCode::kUsage,
                "--frequency, --noise and --silence exclude each other; give one");
  }
  if (!options.path.empty() &&
      (!options.bench.scenario_path.empty() || options.bench.output_device)) {
    throw Error(ExitCode::kUsage,
                "--write makes a file and plays nothing; drop --simulate and --output-device, or "
                "drop --write");
  }
}

}  // namespace

void add_tone_command(CLI::App& app, Job& job) {
  CLI::App* command =
      app.add_subcommand("tone", "Play a tone, two tones or noise, or write it to a file");
  const auto options = std::make_shared<ToneOptions>();
  add_numbers(*command, "--frequency", options->signal.frequencies_hz, {0.1, 384000, "Hz"},
              "tone; given twice, both sound together");
  add_number(*command, "--level", options->signal.level_dbfs, {-200, 0, "dBFS"},
             "RMS level of each tone, or of the noise");
  add_number(*command, "--duration", options->duration_s, {0.001, 86400, "s"},
             "until Ctrl-C by default, 10 with --write");
  add_choice(*command, "--noise", options->noise, {"white", "pink"}, "noise in place of a tone");
  command->add_flag("--silence", options->signal.is_silent, "silence in place of a tone");
  add_count(*command, "--seed", options->seed, {0, 2147483647, ""},
            "of noise and dither: the same seed gives the same samples");
  add_choice(*command, "--channels", options->channels, {"both", "left", "right"},
             "where it sounds, both by default; the rest is silent");
  command->add_option("--write", options->path, "write to this file: .wav .w64 .rf64 .aiff .flac")
      ->type_name("FILE");
  add_choice(*command, "--format", options->format, {"int16", "int24", "float32", "float64"},
             "of the samples written, int24 by default; integers with dither");
  command->add_flag("--confirmed", options->is_confirmed,
                    "the checklist of docs/safety.md was gone through: with --bench more than -40 "
                    "dBFS may be played");
  add_bench_options(*command, options->bench, Devices::kOutput);
  add_example(*command,
              "sinewright tone --frequency 997 --level -20 --duration 5 --write tone.wav");
  command->callback([command, &job, options] {
    check_options(*command, *options);
    job = [options] {
      return options->path.empty() ? play_signal(*options) : write_signal(*options);
    };
  });
}

}  // namespace sinewright
