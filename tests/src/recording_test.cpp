// Recordings of every kind that is written and read here, and every kind of bad one.
#include "device/recording.h"

#include <doctest/doctest.h>
#include <sndfile.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <limits>
#include <numeric>

#include "dsp/units.h"
#include "findings/error.h"
#include "temporary_folder.h"
#include "within.h"

#if defined(__unix__) || defined(__APPLE__)
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <csignal>
#endif

namespace sinewright {
namespace {

namespace fs = std::filesystem;

/// `frames` frames of a sine of amplitude 0.5, a different frequency on each channel.
std::vector<double> sines(std::size_t frames, int channels) {
  std::vector<double> samples;
  for (std::size_t n = 0; n < frames; ++n) {
    for (int channel = 0; channel < channels; ++channel) {
      samples.push_back(0.5 * std::sin(0.1 * (channel + 1) * static_cast<double>(n)));
    }
  }
  return samples;
}

void write_recording(const std::string& path, std::span<const double> samples, int channels,
                     double rate_hz, SampleFormat format) {
  RecordingWriter writer(path, SampleRate{rate_hz}, channels, format, 1);
  writer.write(samples);
  writer.finish();
}

/// Past RecordingWriter, for containers and encodings that it does not write.
void write_plainly(const std::string& path, int format, std::size_t frames) {
  SF_INFO info{};
  info.samplerate = 48000;
  info.channels = 2;
  info.format = format;
  SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
  REQUIRE(file != nullptr);
  const auto samples = sines(frames, 2);
  const auto count = static_cast<sf_count_t>(frames);
  CHECK(sf_writef_double(file, samples.data(), count) == count);
  CHECK(sf_close(file) == 0);
}

std::vector<double> read_all(Recording& recording) {
  std::vector<double> all;
  std::vector<double> block(1000 * static_cast<std::size_t>(recording.channels()));
  while (const std::size_t frames = recording.read(block)) {
    all.insert(all.end(), block.begin(),
               block.begin() + static_cast<std::ptrdiff_t>(frames) * recording.channels());
  }
  return all;
}

double greatest_difference(std::span<const double> a, std::span<const double> b) {
  REQUIRE(a.size() == b.size());
  double greatest = 0;
  for (std::size_t i = 0; i < a.size(); ++i) greatest = std::max(greatest, std::abs(a[i] - b[i]));
  return greatest;
}

/// What the constructor says of a bad recording.
std::string complaint(const std::string& path) {
  try {
    const Recording recording(path);
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kInput);
    const std::string text = error.what();
    CHECK(text.starts_with(path + ": "));
    CHECK(text.find('\n') == std::string::npos);
    return text.substr(path.size() + 2);
  }
  return "";
}

void write_bytes(const std::string& path, const std::string& bytes) {
  std::ofstream(path, std::ios::binary) << bytes;
}

std::size_t entries_in(const fs::path& folder) {
  return static_cast<std::size_t>(
      std::distance(fs::directory_iterator(folder), fs::directory_iterator()));
}

}  // namespace

TEST_CASE("recordings come back as they were written") {
  struct Row {
    const char* file;
    SampleFormat format;
    int bits;
    bool is_float;
    double tolerance;
  };
  // Dither adds less than one step either way, rounding half a step. A float is good to half a unit
  // in the last place, 2^-25 below 0.5.
  const double step_16 = std::ldexp(1.0, -15);
  const double step_24 = std::ldexp(1.0, -23);
  const Row rows[] = {
      {"a.wav", SampleFormat::kInt16, 16, false, 1.5 * step_16},
      {"b.wav", SampleFormat::kInt24, 24, false, 1.5 * step_24},
      {"c.wav", SampleFormat::kFloat32, 32, true, std::ldexp(1.0, -25)},
      {"d.wav", SampleFormat::kFloat64, 64, true, 0},
      {"e.flac", SampleFormat::kInt16, 16, false, 1.5 * step_16},
      {"f.flac", SampleFormat::kInt24, 24, false, 1.5 * step_24},
      {"g.aiff", SampleFormat::kInt24, 24, false, 1.5 * step_24},
      {"h.W64", SampleFormat::kFloat64, 64, true, 0},
      {"i.rf64", SampleFormat::kFloat64, 64, true, 0},
  };
  const TemporaryFolder folder;
  const auto samples = sines(5000, 2);
  for (const Row& row : rows) {
    CAPTURE(row.file);
    const std::string path = folder / row.file;
    write_recording(path, samples, 2, 96000, row.format);
    Recording recording(path);
    CHECK(recording.name() == path);
    CHECK(recording.sample_rate().hz == 96000);
    CHECK(recording.channels() == 2);
    CHECK(recording.frames() == 5000);
    CHECK(recording.bits() == row.bits);
    CHECK(recording.is_float() == row.is_float);
    CHECK(greatest_difference(read_all(recording), samples) <= row.tolerance);
    CHECK_FALSE(recording.is_truncated());
    CHECK(recording.gaps().empty());
  }
  CHECK(entries_in(folder.path()) == std::size(rows));  // no temporary is left
}

TEST_CASE("a short .wav is plain WAV, so that every program reads it") {
  const TemporaryFolder folder;
  write_recording(folder / "a.wav", sines(100, 2), 2, 48000, SampleFormat::kInt24);
  std::ifstream file(folder / "a.wav", std::ios::binary);
  std::string mark(4, ' ');
  file.read(mark.data(), 4);
  CHECK(mark == "RIFF");
  CHECK(Recording(folder / "a.wav").format().starts_with("WAV"));
}

TEST_CASE("channel counts and rates at the edges are read") {
  const TemporaryFolder folder;
  struct Row {
    int channels;
    double rate_hz;
  };
  for (const Row& row : {Row{8, 48000}, Row{1, 8000}, Row{2, 768000}}) {
    const int channels = row.channels;
    const double rate_hz = row.rate_hz;
    CAPTURE(channels);
    const auto samples = sines(300, channels);
    write_recording(folder / "a.wav", samples, channels, rate_hz, SampleFormat::kFloat64);
    Recording recording(folder / "a.wav");
    CHECK(recording.channels() == channels);
    CHECK(recording.sample_rate().hz == rate_hz);
    CHECK(greatest_difference(read_all(recording), samples) == 0);
  }
}

TEST_CASE("every container and encoding that libsndfile offers here is read") {
  const TemporaryFolder folder;
  const double step_16 = std::ldexp(1.0, -15);
  struct Row {
    int format;
    int bits;
    double tolerance;
  };
  const Row rows[] = {
      {SF_FORMAT_WAV | SF_FORMAT_PCM_U8, 8, std::ldexp(1.0, -7)},
      {SF_FORMAT_WAV | SF_FORMAT_PCM_32, 32, std::ldexp(1.0, -31)},
      {SF_FORMAT_AIFF | SF_FORMAT_FLOAT, 32, std::ldexp(1.0, -25)},
      {SF_FORMAT_CAF | SF_FORMAT_ALAC_16, 16, step_16},
      {SF_FORMAT_AU | SF_FORMAT_PCM_16, 16, step_16},
      {SF_FORMAT_WAVEX | SF_FORMAT_PCM_16, 16, step_16},
      // Lossy, worst where it starts (0.08 seen); nothing but this signal of amplitude 0.5 fits.
      {SF_FORMAT_OGG | SF_FORMAT_VORBIS, 0, 0.15},
  };
  const auto samples = sines(9600, 2);
  for (const Row& row : rows) {
    CAPTURE(row.format);
    write_plainly(folder / "a.x", row.format, 9600);
    Recording recording(folder / "a.x");
    CHECK(recording.bits().value_or(0) == row.bits);
    CHECK(recording.frames() == 9600);
    CHECK(greatest_difference(read_all(recording), samples) <= row.tolerance);
    CHECK_FALSE(recording.is_truncated());
  }
}

TEST_CASE("floats keep values beyond full scale, NaN and infinity") {
  const TemporaryFolder folder;
  const double infinity = std::numeric_limits<double>::infinity();
  const std::vector<double> samples = {2.5, -7.0, std::nan(""), infinity, 0.25, -0.25};
  write_recording(folder / "a.wav", samples, 2, 48000, SampleFormat::kFloat64);
  Recording recording(folder / "a.wav");
  const auto came = read_all(recording);
  REQUIRE(came.size() == 6);
  CHECK(came[0] == 2.5);
  CHECK(came[1] == -7.0);
  CHECK(std::isnan(came[2]));
  CHECK(came[3] == infinity);
  CHECK(came[5] == -0.25);
}

TEST_CASE("a recording that was cut off is read as far as it goes, and says so") {
  const TemporaryFolder folder;
  for (const char* file : {"a.wav", "a.flac", "a.aiff", "a.w64", "a.rf64"}) {
    CAPTURE(file);
    const std::string path = folder / file;
    const auto samples = sines(20000, 2);
    write_recording(path, samples, 2, 48000, SampleFormat::kInt24);
    fs::resize_file(path, fs::file_size(path) / 2);
    Recording recording(path);
    const auto came = read_all(recording);
    CHECK(recording.is_truncated());
    // Half the file is half the frames, but for the header and a FLAC block of 4096 frames.
    CHECK(within(static_cast<double>(came.size()) / 2, 10000, 4200));
    CHECK(greatest_difference(came, std::span(samples).first(came.size())) <=
          1.5 * std::ldexp(1.0, -23));
    CHECK(recording.frames().value() >= 19990);
  }
}

TEST_CASE("a WAV written to a pipe, its length left open, is not called truncated") {
  const TemporaryFolder folder;
  write_plainly(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1000);
  std::fstream file(folder / "a.wav", std::ios::in | std::ios::out | std::ios::binary);
  file.seekp(4);
  file.write("\xFF\xFF\xFF\xFF", 4);
  file.seekp(40);  // length of the data in a canonical header of 44 bytes
  file.write("\xFF\xFF\xFF\xFF", 4);
  file.close();
  Recording recording(folder / "a.wav");
  CHECK(read_all(recording).size() == 2000);
  CHECK_FALSE(recording.is_truncated());
}

TEST_CASE("bad recordings are refused in one line each") {
  const TemporaryFolder folder;
  CHECK(complaint(folder / "none.wav") == "no such file; check the name");
  CHECK(complaint(folder.path().string()).starts_with("is a directory"));

  write_bytes(folder / "empty.wav", "");
  CHECK(complaint(folder / "empty.wav").starts_with("is empty"));

  write_bytes(folder / "letter.wav", "Dear owner, the receiver is repaired.\n");
  CHECK(complaint(folder / "letter.wav").starts_with("is not a recording"));
  // libsndfile takes any file of this name for headerless sound.
  write_bytes(folder / "letter.au", "Dear owner, the receiver is repaired.\n");
  CHECK(complaint(folder / "letter.au").starts_with("has no header"));

  write_plainly(folder / "header.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 0);
  CHECK(complaint(folder / "header.wav").starts_with("has a header but not a single frame"));

  write_plainly(folder / "corrupt.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 100);
  std::fstream corrupt(folder / "corrupt.wav", std::ios::in | std::ios::out | std::ios::binary);
  corrupt.seekp(12);
  corrupt << "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx";
  corrupt.close();
  CHECK(complaint(folder / "corrupt.wav").starts_with("its header is damaged"));

  write_recording(folder / "cut.flac", sines(5000, 2), 2, 48000, SampleFormat::kInt16);
  fs::resize_file(folder / "cut.flac", 48);
  CHECK(complaint(folder / "cut.flac").starts_with("its header is damaged"));
}

TEST_CASE("a recording may shrink or vanish while it is read") {
  const TemporaryFolder folder;
  for (const char* file : {"a.wav", "a.flac"}) {
    CAPTURE(file);
    const std::string path = folder / file;
    write_recording(path, sines(200000, 2), 2, 48000, SampleFormat::kInt24);
    Recording recording(path);
    std::vector<double> block(2000);
    CHECK(recording.read(block) == 1000);
    fs::resize_file(path, fs::file_size(path) / 2);
    CHECK_FALSE(recording.is_truncated());
    read_all(recording);
    CHECK(recording.is_truncated());
  }
  write_recording(folder / "b.wav", sines(20000, 2), 2, 48000, SampleFormat::kInt24);
  Recording recording(folder / "b.wav");
  fs::remove(folder / "b.wav");
  read_all(recording);  // whatever the system still gives; no crash, no endless loop
  CHECK(complaint(folder / "b.wav") == "no such file; check the name");
}

TEST_CASE("the error of dithered integers is white and half a step RMS") {
  // Triangular dither of ±1 step makes the total error D^2/4, whatever the signal: S. P. Lipshitz,
  // R. A. Wannamaker, J. Vanderkooy, J. Audio Eng. Soc. 40(5), 1992 (from memory).
  const TemporaryFolder folder;
  const std::size_t count = 200000;
  const double step = std::ldexp(1.0, -15);
  // A constant a third of a step high: undithered, it would be lost altogether.
  const std::vector<double> samples(count, step / 3);
  write_recording(folder / "a.wav", samples, 1, 48000, SampleFormat::kInt16);
  Recording recording(folder / "a.wav");
  const auto came = read_all(recording);
  REQUIRE(came.size() == count);
  double sum = 0;
  double squares = 0;
  double neighbours = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const double error = (came[i] - samples[i]) / step;
    sum += error;
    squares += error * error;
    if (i > 0) neighbours += error * (came[i - 1] - samples[i - 1]) / step;
  }
  // Five standard deviations of a mean over 200000: 0.5 / sqrt(N), and 0.25 to 0.35 / sqrt(N).
  CHECK(within(sum / count, 0, 0.0056));
  CHECK(within(squares / count, 0.25, 0.004));
  CHECK(within(neighbours / count, 0, 0.004));
}

TEST_CASE("the same seed gives the same file") {
  const TemporaryFolder folder;
  const auto bytes = [&](const char* file) {
    std::ifstream stream(folder / file, std::ios::binary);
    return std::string(std::istreambuf_iterator<char>(stream), {});
  };
  const auto samples = sines(1000, 2);
  for (const auto& [file, seed] : {std::pair{"a.flac", 7U}, {"b.flac", 7U}, {"c.flac", 8U}}) {
    RecordingWriter writer(folder / file, SampleRate{48000}, 2, SampleFormat::kInt16, seed);
    writer.write(samples);
    writer.finish();
  }
  CHECK(bytes("a.flac") == bytes("b.flac"));
  CHECK(bytes("a.flac") != bytes("c.flac"));
}

TEST_CASE("integers saturate at full scale, and count what did not fit") {
  const TemporaryFolder folder;
  RecordingWriter writer(folder / "a.wav", SampleRate{48000}, 1, SampleFormat::kInt16, 1);
  writer.write(std::vector{1.5, -1.5, 1.0, -1.0, 0.5});
  CHECK(writer.clipped() == 2);
  writer.finish();
  Recording recording(folder / "a.wav");
  const auto came = read_all(recording);
  CHECK(came[0] == 32767.0 / 32768);
  CHECK(came[1] == -1.0);
}

TEST_CASE("a recording that is not finished leaves nothing, and what was there stays") {
  const TemporaryFolder folder;
  const auto old = sines(100, 1);
  write_recording(folder / "a.wav", old, 1, 48000, SampleFormat::kFloat64);
  {
    RecordingWriter writer(folder / "a.wav", SampleRate{48000}, 1, SampleFormat::kFloat64, 1);
    writer.write(std::vector<double>(50000, 0.25));
    CHECK(entries_in(folder.path()) == 2);
  }
  CHECK(entries_in(folder.path()) == 1);
  Recording recording(folder / "a.wav");
  CHECK(greatest_difference(read_all(recording), old) == 0);
}

TEST_CASE("what cannot be written is refused") {
  const TemporaryFolder folder;
  const auto code_of = [&](const std::string& path, double rate_hz, int channels,
                           SampleFormat format) {
    try {
      const RecordingWriter writer(path, SampleRate{rate_hz}, channels, format, 1);
    } catch (const Error& error) {
      CHECK(std::string(error.what()).starts_with(path + ": "));
      return static_cast<int>(error.code());
    }
    return 0;
  };
  CHECK(code_of(folder / "a.xyz", 48000, 2, SampleFormat::kInt24) == 2);
  CHECK(code_of(folder / "a", 48000, 2, SampleFormat::kInt24) == 2);
  CHECK(code_of(folder / "a.flac", 48000, 2, SampleFormat::kFloat32) == 2);
  CHECK(code_of(folder / "a.flac", 48000, 9, SampleFormat::kInt24) == 2);
  CHECK(code_of(folder / "none/a.wav", 48000, 2, SampleFormat::kInt24) == 1);
  fs::create_directory(folder / "b.wav");
  CHECK(code_of(folder / "b.wav", 48000, 2, SampleFormat::kInt24) == 1);
  fs::remove(folder / "b.wav");
  CHECK(entries_in(folder.path()) == 0);

  CHECK_THROWS_AS(
      RecordingWriter(folder / "a.wav", SampleRate{44100.5}, 2, SampleFormat::kInt24, 1),
      std::invalid_argument);
  CHECK_THROWS_AS(RecordingWriter(folder / "a.wav", SampleRate{48000}, 0, SampleFormat::kInt24, 1),
                  std::invalid_argument);
  RecordingWriter writer(folder / "a.wav", SampleRate{48000}, 2, SampleFormat::kInt24, 1);
  CHECK_THROWS_AS(writer.write(std::vector<double>(3)), std::invalid_argument);
  CHECK_THROWS_AS(writer.write(std::vector<double>(2, std::nan(""))), std::invalid_argument);
}

#if defined(__unix__) || defined(__APPLE__)

TEST_CASE("pipes are refused, not waited for") {
  const TemporaryFolder folder;
  REQUIRE(mkfifo((folder / "a.wav").c_str(), 0600) == 0);
  CHECK(complaint(folder / "a.wav").starts_with("is no regular file"));
}

TEST_CASE("a recording without permission is refused") {
  const TemporaryFolder folder;
  write_recording(folder / "a.wav", sines(100, 2), 2, 48000, SampleFormat::kInt24);
  fs::permissions(folder.path(), fs::perms::all);
  fs::permissions(folder / "a.wav", fs::perms::none);
  const uid_t user = geteuid();
  // The superuser reads everything: be somebody else for a moment.
  if (user == 0) REQUIRE(seteuid(65534) == 0);
  const std::string text = complaint(folder / "a.wav");
  if (user == 0) REQUIRE(seteuid(0) == 0);
  CHECK(text == "cannot be opened (Permission denied); check the permissions");
}

/// No file may grow beyond `bytes` while it lives: as a full disk, in the eyes of a writer.
class SmallDisk {
 public:
  explicit SmallDisk(rlim_t bytes) : handler_(std::signal(SIGXFSZ, SIG_IGN)) {
    getrlimit(RLIMIT_FSIZE, &before_);
    const rlimit small{bytes, before_.rlim_max};
    setrlimit(RLIMIT_FSIZE, &small);
  }
  ~SmallDisk() {
    setrlimit(RLIMIT_FSIZE, &before_);
    std::signal(SIGXFSZ, handler_);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;

 private:
  rlimit before_{};
  void (*handler_)(int);
};

TEST_CASE("a full disk is an error, and leaves nothing behind") {
  const TemporaryFolder folder;
  for (const char* file : {"a.wav", "a.flac", "a.aiff"}) {
    CAPTURE(file);
    // The last size leaves no room for what is written on closing only.
    for (const rlim_t room : {100U, 20000U, 131072U}) {
      CAPTURE(room);
      const SmallDisk disk(room);
      try {
        RecordingWriter writer(folder / file, SampleRate{48000}, 2, SampleFormat::kInt24, 1);
        for (int i = 0; i < 20; ++i) writer.write(sines(5000, 2));
        writer.finish();
        FAIL("a full disk went unnoticed");
      } catch (const Error& error) {
        CHECK(error.code() == ExitCode::kFailure);
        CHECK(std::string(error.what()).find("free") != std::string::npos);
      }
    }
  }
  CHECK(entries_in(folder.path()) == 0);
}

TEST_CASE("a disk that is full only for the last bytes is noticed on closing") {
  const TemporaryFolder folder;
  const auto samples = sines(3000, 2);
  write_recording(folder / "a.flac", samples, 2, 48000, SampleFormat::kInt24);
  const auto size = fs::file_size(folder / "a.flac");
  fs::remove(folder / "a.flac");
  const SmallDisk disk(size - 10);
  CHECK_THROWS_AS(write_recording(folder / "a.flac", samples, 2, 48000, SampleFormat::kInt24),
                  Error);
  CHECK(entries_in(folder.path()) == 0);
}

#endif

}  // namespace sinewright
