// Reads recordings through libsndfile, and says plainly what is wrong with those it cannot read.
#include "device/recording.h"

#include <sndfile.h>

#include <algorithm>
#include <array>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <limits>
#include <string_view>

#include "findings/error.h"

namespace sinewright {
namespace {

[[noreturn]] void refuse(const std::string& path, const std::string& what_and_what_to_do) {
  throw Error(ExitCode::kInput, path + ": " + what_and_what_to_do);
}

// A pipe or device is refused rather than opened: opening it can block for ever.
void check_is_readable_file(const std::string& path) {
  namespace fs = std::filesystem;
  std::error_code error;
  const fs::file_status status = fs::status(path, error);
  if (status.type() == fs::file_type::not_found) refuse(path, "no such file; check the name");
  if (error) refuse(path, "cannot be reached (" + error.message() + "); check the permissions");
  if (fs::is_directory(status)) refuse(path, "is a directory; name a recording in it");
  if (!fs::is_regular_file(status)) refuse(path, "is no regular file; copy the sound into one");
  if (!std::ifstream(path, std::ios::binary)) {
    refuse(path,
           std::string("cannot be opened (") + std::strerror(errno) + "); check the permissions");
  }
  const auto size = fs::file_size(path, error);
  if (error) refuse(path, "cannot be read (" + error.message() + "); check the disk");
  if (size == 0) refuse(path, "is empty (0 bytes); record it again");
}

// libsndfile's own text for a failed open is one variable for all threads, so a batch over several
// files could print another file's trouble. The first bytes tell the two cases that matter apart.
bool starts_like_sound(const std::string& path) {
  std::array<char, 4> first{};
  std::ifstream(path, std::ios::binary).read(first.data(), first.size());
  const std::string_view mark(first.data(), first.size());
  constexpr std::array<std::string_view, 9> known = {"RIFF", "RIFX", "RF64", "riff", "FORM",
                                                     "fLaC", "OggS", "caff", ".snd"};
  return std::find(known.begin(), known.end(), mark) != known.end();
}

std::string words_for(SNDFILE* file, int command, int format) {
  SF_FORMAT_INFO info{};
  info.format = format;
  if (sf_command(file, command, &info, sizeof info) != 0 || info.name == nullptr) return "unknown";
  return info.name;
}

std::optional<int> bits_of(int encoding) {
  switch (encoding) {
    case SF_FORMAT_PCM_S8:
    case SF_FORMAT_PCM_U8:
    case SF_FORMAT_ULAW:
    case SF_FORMAT_ALAW:
      return 8;
    case SF_FORMAT_PCM_16:
    case SF_FORMAT_ALAC_16:
      return 16;
    case SF_FORMAT_ALAC_20:
      return 20;
    case SF_FORMAT_PCM_24:
    case SF_FORMAT_ALAC_24:
      return 24;
    case SF_FORMAT_PCM_32:
    case SF_FORMAT_ALAC_32:
    case SF_FORMAT_FLOAT:
      return 32;
    case SF_FORMAT_DOUBLE:
      return 64;
    default:
      return std::nullopt;
  }
}

// When a file is shorter than its header says, libsndfile corrects the length silently and notes
// "NAME : DECLARED (should be FOUND)" in its log. Returns the bytes that are missing, 0 for none.
std::uint64_t missing_bytes(SNDFILE* file) {
  std::array<char, 16384> log{};
  sf_command(file, SFC_GET_LOG_INFO, log.data(), static_cast<int>(log.size()) - 1);
  const std::string_view text(log.data());
  constexpr std::string_view mark = " (should be ";
  std::uint64_t missing = 0;
  for (auto at = text.find(mark); at != std::string_view::npos; at = text.find(mark, at + 1)) {
    const auto number = text.find_last_of(": ", at - 1) + 1;
    const std::uint64_t declared = std::strtoull(text.data() + number, nullptr, 0);
    const std::uint64_t found = std::strtoull(text.data() + at + mark.size(), nullptr, 0);
    // A recorder that writes to a pipe leaves the greatest size there is: length unknown, all well.
    const bool is_left_open =
        declared >= 0xFFFFFF00U || (declared >= 0x7FFFFF00U && declared <= 0x80000000U);
    // Some programs count the container's own eight bytes or a padding byte: nothing is missing.
    if (!is_left_open && declared > found + 9) missing = std::max(missing, declared - found);
  }
  return missing;
}

}  // namespace

void CloseSoundFile::operator()(sf_private_tag* file) const { sf_close(file); }

Recording::Recording(std::string path) : path_(std::move(path)) {
  check_is_readable_file(path_);
  SF_INFO info{};
  file_.reset(sf_open(path_.c_str(), SFM_READ, &info));
  if (!file_) {
    refuse(path_, starts_like_sound(path_)
                      ? "its header is damaged or of an unknown kind; record or export it again"
                      : "is not a recording; give a WAV, FLAC, AIFF or other sound file");
  }
  // libsndfile takes some names, like x.au or x.vox, for headerless sound of a guessed rate.
  if ((info.format & SF_FORMAT_TYPEMASK) == SF_FORMAT_RAW) {
    refuse(path_, "has no header, so its rate is unknown; save it as WAV or FLAC");
  }
  if (info.samplerate < 1 || info.channels < 1) {
    refuse(path_, "its header names no sample rate or channel; record or export it again");
  }
  if (info.frames == 0) {
    refuse(path_, "has a header but not a single frame; record it again");
  }
  sample_rate_.hz = info.samplerate;
  channels_ = info.channels;
  if (info.frames != std::numeric_limits<sf_count_t>::max()) frames_ = info.frames;
  describe(info.format);
  compare_with_declared_length();
}

void Recording::describe(int format) {
  const int encoding = format & SF_FORMAT_SUBMASK;
  const int container = format & SF_FORMAT_TYPEMASK;
  format_ = words_for(file_.get(), SFC_GET_FORMAT_INFO, container) + ", " +
            words_for(file_.get(), SFC_GET_FORMAT_INFO, encoding);
  bits_ = bits_of(encoding);
  is_float_ = encoding == SF_FORMAT_FLOAT || encoding == SF_FORMAT_DOUBLE;
  is_lossy_ = container == SF_FORMAT_MPEG;
}

void Recording::compare_with_declared_length() {
  const std::uint64_t missing = missing_bytes(file_.get());
  if (missing == 0) return;
  is_truncated_ = true;
  if (bits_ && frames_)
    *frames_ += static_cast<std::int64_t>(missing) / (std::int64_t{*bits_ / 8} * channels_);
}

std::size_t Recording::read(std::span<double> samples) {
  const auto wanted = static_cast<sf_count_t>(samples.size() / channels_);
  if (wanted == 0) return 0;
  const sf_count_t came =
      std::max<sf_count_t>(sf_readf_double(file_.get(), samples.data(), wanted), 0);
  frames_read_ += came;
  if (came > 0) return static_cast<std::size_t>(came);
  if (sf_error(file_.get()) != SF_ERR_NO_ERROR) {
    refuse(path_, "breaks off after frame " + std::to_string(frames_read_) + " (" +
                      sf_strerror(file_.get()) + "); check the disk, or copy the file again");
  }
  // The length of an MP3 is an estimate, good to some of its blocks of 1152 frames.
  const std::int64_t slack = is_lossy_ ? std::int64_t{4} * 1152 : 0;
  if (frames_ && frames_read_ + slack < *frames_) is_truncated_ = true;
  return 0;
}

}  // namespace sinewright
