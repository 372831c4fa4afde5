// Batch speed: the program on sixty recordings, against decoding them and one FFT over each sample.
#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <stdexcept>
#include <thread>

#include "accuracy/signals.h"
#include "accuracy/table.h"
#include "device/recording.h"
#include "temporary_folder.h"

namespace sinewright {
namespace {

constexpr int kRecordings = 60;

/// 10 s at 96 kHz, 24 bits, stereo: a tone with two harmonics over noise. Each of six frequencies
/// is made once; the disk holds ten copies.
void write_recordings(const TemporaryFolder& folder) {
  constexpr SampleRate kFs{96000};
  std::mt19937_64 random(7);
  const double frequencies_hz[] = {40, 315, 997, 3150, 6300, 15000};
  for (int i = 0; i < kRecordings; ++i) {
    const std::string path = folder / ("bench-" + std::to_string(i) + ".wav");
    if (i >= 6) {
      std::filesystem::copy_file(folder / ("bench-" + std::to_string(i % 6) + ".wav"), path);
      continue;
    }
    const double frequency_hz = frequencies_hz[i];
    auto left = exact_sine(frequency_hz, kFs, 960000, 0.5, 0);
    add(left, exact_sine(2 * frequency_hz, kFs, 960000, 1e-4, 1));
    add(left, exact_sine(3 * frequency_hz, kFs, 960000, 5e-5, 2));
    auto right = left;
    add(left, white_noise(960000, 1e-5, random));
    add(right, white_noise(960000, 1e-5, random));
    RecordingWriter writer(path, kFs, 2, SampleFormat::kInt24, 1);
    writer.write(interleaved(left, right));
    writer.finish();
  }
}

double seconds_of(const std::string& command) {
  const auto began = std::chrono::steady_clock::now();
  if (std::system(command.c_str()) != 0) throw std::runtime_error("failed: " + command);
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
}

}  // namespace

std::vector<AccuracyRow> batch_rows(const std::string& program, const std::string& reference) {
  const TemporaryFolder folder;
  write_recordings(folder);
  const std::string files = " " + (folder.path() / "bench-*.wav").string() + " > /dev/null";
  const unsigned threads = std::max(1U, std::thread::hardware_concurrency());
  double analyze_s = 1e9;
  double reference_s = 1e9;
  for (int run = 0; run < 3; ++run) {  // the best of three: other work can only add
    reference_s =
        std::min(reference_s, seconds_of("'" + reference + "' " + std::to_string(threads) + files));
    analyze_s = std::min(analyze_s, seconds_of("'" + program + "' analyze --json" + files));
  }
  const double ratio = analyze_s / reference_s;
  return {{"batch speed",
           "60 WAVs of 10 s, 96 kHz, 24 bits, stereo; " + std::to_string(threads) + " threads",
           "<= 3 x decode + FFT",
           fixed(ratio, 2) + " x (" + fixed(analyze_s, 2) + " s / " + fixed(reference_s, 2) + " s)",
           ratio <= 3}};
}

}  // namespace sinewright
