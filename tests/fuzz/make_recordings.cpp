// Small sound recordings for the fuzzer to start from: make_recordings FOLDER
#include <cmath>
#include <iostream>
#include <string>
#include <vector>

#include "device/recording.h"

int main(int argc, char** argv) {
  if (argc != 2) {
    std::cerr << "usage: make_recordings FOLDER\n";
    return 2;
  }
  using sinewright::SampleFormat;
  // 0.2 s of a tone that becomes another at half time, so that there are plateaus to be found.
  std::vector<double> frames(2 * 1600);
  for (std::size_t n = 0; n < frames.size() / 2; ++n) {
    const double sample = 0.5 * std::sin((n < 800 ? 0.8 : 0.5) * static_cast<double>(n));
    frames[2 * n] = sample;
    frames[2 * n + 1] = 0.3 * sample;
  }
  const std::string folder = std::string(argv[1]) + "/";
  const auto write = [&](const std::string& name, int channels, SampleFormat format) {
    sinewright::RecordingWriter writer(folder + name, {8000}, channels, format, 1);
    writer.write(frames);
    writer.finish();
  };
  write("int16.wav", 2, SampleFormat::kInt16);
  write("int24.wav", 1, SampleFormat::kInt24);
  write("double.wav", 4, SampleFormat::kFloat64);
  write("int16.flac", 2, SampleFormat::kInt16);
  write("float.aiff", 2, SampleFormat::kFloat32);
  write("int24.w64", 2, SampleFormat::kInt24);
  write("float.rf64", 2, SampleFormat::kFloat32);
}
