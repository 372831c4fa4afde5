// Recordings: files with sound in them, read as a source of frames and written from frames.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <random>
#include <span>
#include <string>
#include <vector>

#include "device/stream.h"
#include "dsp/units.h"

struct sf_private_tag;  // libsndfile's handle, SNDFILE

namespace sinewright {

struct CloseSoundFile {
  void operator()(sf_private_tag* file) const;
};
using SoundFile = std::unique_ptr<sf_private_tag, CloseSoundFile>;

/// One recording, whatever libsndfile reads: WAV, RF64, W64, AIFF, FLAC, CAF, Ogg ...
///
/// Samples come as double, integer formats with full scale at ±1; floats keep values beyond ±1, and
/// NaN or infinity where the file holds them.
class Recording final : public Source {
 public:
  /// Throws Error (kInput), one line that says what to do, when `path` is missing, no regular file,
  /// unreadable, empty, no audio, damaged in its header, or a header without a single frame.
  explicit Recording(std::string path);

  /// The path as given.
  [[nodiscard]] std::string name() const override { return path_; }
  [[nodiscard]] SampleRate sample_rate() const override { return sample_rate_; }
  [[nodiscard]] int channels() const override { return channels_; }

  /// As Source::read. A file that ends before its declared length is no error, see is_truncated();
  /// Error (kInput) only when the operating system fails to read on. What came before is returned
  /// first.
  [[nodiscard]] std::size_t read(std::span<double> samples) override;

  /// Always empty: a file cannot tell. Analysis looks for dropouts in the samples.
  [[nodiscard]] std::span<const std::int64_t> gaps() const override { return {}; }

  /// Declared by the header; more than come when the file is truncated. None when the header leaves
  /// it open (a FLAC written to a pipe).
  [[nodiscard]] std::optional<std::int64_t> frames() const { return frames_; }

  /// Container and encoding in words: "WAV (Microsoft), Signed 24 bit PCM".
  [[nodiscard]] const std::string& format() const { return format_; }

  /// Bits of one stored sample, 8 to 64; none in a format without fixed words (Ogg, MP3, ADPCM).
  [[nodiscard]] std::optional<int> bits() const { return bits_; }

  /// True for floating-point samples: no quantisation step relative to full scale.
  [[nodiscard]] bool is_float() const { return is_float_; }

  /// True when the header promises more frames than the file holds. Known at once for WAV, RF64,
  /// W64, AIFF and AU; for compressed formats, and files that shrink meanwhile, when read() has
  /// returned 0.
  [[nodiscard]] bool is_truncated() const { return is_truncated_; }

 private:
  void describe(int format);
  void compare_with_declared_length();

  std::string path_;
  SoundFile file_;
  SampleRate sample_rate_{0};
  int channels_ = 0;
  std::optional<std::int64_t> frames_;
  std::int64_t frames_read_ = 0;
  std::string format_;
  std::optional<int> bits_;
  bool is_float_ = false;
  bool is_lossy_ = false;
  bool is_truncated_ = false;
};

/// How RecordingWriter stores a sample.
enum class SampleFormat { kInt16, kInt24, kFloat32, kFloat64 };

/// Writes one recording. It appears under its name only when finish() has succeeded; until then it
/// grows beside it under a temporary name, which the destructor removes.
///
/// The extension chooses the container: .wav (becomes RF64 by itself above 4 GiB), .rf64, .w64,
/// .aiff or .aif, .flac (integers only).
class RecordingWriter {
 public:
  /// `channels`: 1 to 64; `fs` in whole hertz. `dither_seed`: of the triangular dither of one step
  /// either way, added before rounding to integers; unused for floats.
  /// Throws Error (kUsage) for an extension that is not known or cannot hold the format, Error
  /// (kFailure) when the file cannot be created, std::invalid_argument for channels and rate.
  RecordingWriter(std::string path, SampleRate fs, int channels, SampleFormat format,
                  std::uint64_t dither_seed);
  ~RecordingWriter();
  RecordingWriter(const RecordingWriter&) = delete;
  RecordingWriter& operator=(const RecordingWriter&) = delete;

  /// Appends whole interleaved frames, full scale ±1. Integers saturate at full scale; see
  /// clipped(). Throws Error (kFailure) when the disk is full or fails; std::invalid_argument when
  /// `frames` is not whole, or holds NaN or infinity for an integer format.
  void write(std::span<const double> frames);

  /// Closes the file, checks that it holds every frame written, and gives it its name, replacing
  /// what had it before. Throws Error (kFailure), with nothing left behind, when that fails.
  void finish();

  /// Samples beyond full scale so far, in an integer format.
  [[nodiscard]] std::int64_t clipped() const { return clipped_; }

 private:
  std::int32_t quantised(double sample);
  void check_room(std::size_t more_frames) const;
  void verify() const;
  [[noreturn]] void fail(const std::string& what) const;

  std::string path_;
  std::string temporary_path_;
  SoundFile file_;
  int channels_;
  SampleFormat format_;
  std::int64_t max_frames_;
  std::int64_t frames_written_ = 0;
  std::int64_t clipped_ = 0;
  std::mt19937_64 random_;
  std::vector<std::int32_t> words_;
};

}  // namespace sinewright
