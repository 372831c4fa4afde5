// Writes recordings: dither, the container by extension, and nothing under the name until all is
// well.
#include <sndfile.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <limits>
#include <stdexcept>

#include "device/recording.h"
#include "findings/error.h"

namespace sinewright {
namespace {

bool is_integer(SampleFormat format) {
  return format == SampleFormat::kInt16 || format == SampleFormat::kInt24;
}

int bits_of(SampleFormat format) { return format == SampleFormat::kInt16 ? 16 : 24; }

int bytes_of(SampleFormat format) {
  switch (format) {
    case SampleFormat::kInt16:
      return 2;
    case SampleFormat::kInt24:
      return 3;
    case SampleFormat::kFloat32:
      return 4;
    case SampleFormat::kFloat64:
      return 8;
  }
  throw std::invalid_argument("format: no such sample format");
}

int encoding_of(SampleFormat format) {
  switch (format) {
    case SampleFormat::kInt16:
      return SF_FORMAT_PCM_16;
    case SampleFormat::kInt24:
      return SF_FORMAT_PCM_24;
    case SampleFormat::kFloat32:
      return SF_FORMAT_FLOAT;
    case SampleFormat::kFloat64:
      return SF_FORMAT_DOUBLE;
  }
  throw std::invalid_argument("format: no such sample format");
}

std::string extension_of(const std::string& path) {
  std::string extension = std::filesystem::path(path).extension().string();
  for (char& c : extension) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return extension;
}

int container_of(const std::string& path) {
  const std::string extension = extension_of(path);
  // RF64, so that a long recording may outgrow 4 GiB; shorter ones become plain WAV when closed.
  if (extension == ".wav" || extension == ".rf64") return SF_FORMAT_RF64;
  if (extension == ".w64") return SF_FORMAT_W64;
  if (extension == ".aiff" || extension == ".aif") return SF_FORMAT_AIFF;
  if (extension == ".flac") return SF_FORMAT_FLAC;
  throw Error(ExitCode::kUsage, path + ": '" + extension +
                                    "' names no format; use .wav, .flac, .aiff, .w64 or .rf64");
}

// Beside the target: a rename does not cross file systems. Random, so that two runs do not meet.
std::string name_beside(const std::string& path) {
  std::random_device device;
  return path + ".partial-" + std::to_string(device());
}

}  // namespace

RecordingWriter::RecordingWriter(std::string path, SampleRate fs, int channels, SampleFormat format,
                                 std::uint64_t dither_seed)
    : path_(std::move(path)),
      channels_(channels),
      format_(format),
      max_frames_(std::numeric_limits<std::int64_t>::max()),
      random_(dither_seed) {
  if (channels < 1 || channels > 64) {
    throw std::invalid_argument("channels: 1 to 64, not " + std::to_string(channels));
  }
  if (!(fs.hz >= 1 && fs.hz <= std::numeric_limits<int>::max() && fs.hz == std::floor(fs.hz))) {
    throw std::invalid_argument("fs: whole hertz from 1 up, not " + std::to_string(fs.hz));
  }
  const int container = container_of(path_);
  if (container == SF_FORMAT_FLAC && !is_integer(format)) {
    throw Error(ExitCode::kUsage, path_ + ": FLAC holds integers only; use .wav for floats");
  }
  SF_INFO info{};
  info.samplerate = static_cast<int>(fs.hz);
  info.channels = channels;
  info.format = container | encoding_of(format);
  if (sf_format_check(&info) == SF_FALSE) {
    throw Error(ExitCode::kUsage, path_ + ": this format does not hold " +
                                      std::to_string(channels) + " channels; use .wav");
  }
  if (std::filesystem::is_directory(path_)) {
    throw Error(ExitCode::kFailure, path_ + ": is a directory; name a file in it");
  }
  temporary_path_ = name_beside(path_);
  file_.reset(sf_open(temporary_path_.c_str(), SFM_WRITE, &info));
  if (!file_) {
    const std::string reason = sf_strerror(nullptr);
    std::error_code ignored;
    std::filesystem::remove(temporary_path_, ignored);  // a refused rate leaves an empty file
    fail("cannot be created (" + reason + "); check folder, free space, rate and permissions");
  }
  if (extension_of(path_) == ".wav") {
    sf_command(file_.get(), SFC_RF64_AUTO_DOWNGRADE, nullptr, SF_TRUE);
  }
  // AIFF counts bytes in 32 bits; some readers take them as signed.
  if (container == SF_FORMAT_AIFF) {
    max_frames_ = (std::int64_t{1} << 31) / (std::int64_t{channels} * bytes_of(format)) - 4096;
  }
}

RecordingWriter::~RecordingWriter() {
  file_.reset();
  std::error_code ignored;
  if (!temporary_path_.empty()) std::filesystem::remove(temporary_path_, ignored);
}

void RecordingWriter::fail(const std::string& what) const {
  throw Error(ExitCode::kFailure, path_ + ": " + what);
}

// Triangular over ±1 step: makes the error's mean and power independent of the signal (as AES17 and
// the literature on dither ask). The sum of two 32-bit uniforms, from one draw.
std::int32_t RecordingWriter::quantised(double sample) {
  if (!std::isfinite(sample)) {
    throw std::invalid_argument("frames: a sample is not finite; integers cannot hold it");
  }
  const int bits = bits_of(format_);
  const double full_scale = std::ldexp(1.0, bits - 1);
  const std::uint64_t draw = random_();
  const double triangular =
      (static_cast<double>(draw >> 32) - static_cast<double>(draw & 0xFFFFFFFFU)) * 0x1p-32;
  const double rounded = std::floor(sample * full_scale + triangular + 0.5);
  const double held = std::clamp(rounded, -full_scale, full_scale - 1);
  if (std::abs(sample) > 1) ++clipped_;
  // libsndfile takes the upper bits of a 32-bit word.
  return static_cast<std::int32_t>(held) * (1 << (32 - bits));
}

void RecordingWriter::check_room(std::size_t more_frames) const {
  if (frames_written_ + static_cast<std::int64_t>(more_frames) > max_frames_) {
    fail("AIFF ends at 2 GiB; write .wav or .w64 instead");
  }
}

void RecordingWriter::write(std::span<const double> frames) {
  if (!file_) throw std::invalid_argument("write: the recording is finished already");
  if (frames.size() % channels_ != 0) {
    throw std::invalid_argument("frames: whole frames of " + std::to_string(channels_) +
                                " samples, not " + std::to_string(frames.size()) + " samples");
  }
  const std::size_t count = frames.size() / channels_;
  check_room(count);
  sf_count_t written = 0;
  if (is_integer(format_)) {
    words_.resize(frames.size());
    std::transform(frames.begin(), frames.end(), words_.begin(),
                   [this](double sample) { return quantised(sample); });
    written = sf_writef_int(file_.get(), words_.data(), static_cast<sf_count_t>(count));
  } else {
    written = sf_writef_double(file_.get(), frames.data(), static_cast<sf_count_t>(count));
  }
  if (written != static_cast<sf_count_t>(count) || sf_error(file_.get()) != SF_ERR_NO_ERROR) {
    fail(std::string("cannot be written (") + sf_strerror(file_.get()) +
         "); free some space, or write elsewhere");
  }
  frames_written_ += written;
}

// Buffers and header go out when the file is closed, and libsndfile does not tell when that fails.
// So look: the header must declare every frame, and the last of them must be there.
void RecordingWriter::verify() const {
  if (frames_written_ == 0) return;
  SF_INFO info{};
  const SoundFile written(sf_open(temporary_path_.c_str(), SFM_READ, &info));
  std::vector<double> frame(channels_);
  if (!written || info.frames != frames_written_ ||
      sf_seek(written.get(), frames_written_ - 1, SEEK_SET) != frames_written_ - 1 ||
      sf_readf_double(written.get(), frame.data(), 1) != 1) {
    fail("could not be written to the end; free some space, or write elsewhere");
  }
}

void RecordingWriter::finish() {
  if (!file_) throw std::invalid_argument("finish: the recording is finished already");
  sf_write_sync(file_.get());
  file_.reset();
  verify();
  std::error_code error;
  std::filesystem::rename(temporary_path_, path_, error);
  if (error) fail("cannot be replaced (" + error.message() + "); check folder and permissions");
  temporary_path_.clear();
}

}  // namespace sinewright
