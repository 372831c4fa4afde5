// One sitting at the bench: the stream, the chain, the conditions, and the only hand on the drive.
#pragma once

#include <cmath>
#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "device/stream.h"
#include "dsp/generator.h"
#include "dsp/tone_analysis.h"
#include "findings/findings.h"
#include "measure/measurement.h"
#include "measure/tone_findings.h"

namespace sinewright {

/// What a session needs to know beside the stream.
struct SessionSettings {
  Band band;
  std::vector<Condition> conditions;  ///< as stated by the operator, kept with every run
};

/// Frames of one steady tone, as they came back.
struct Capture {
  std::vector<double> frames;  ///< interleaved
  std::int64_t first = 0;      ///< number of the first frame since the stream opened
};

/// Owns the stream and the tone played on it. Nothing else sets the drive level: it starts silent,
/// ramps, and is silent again when the session ends, however it ends.
class Session {
 public:
  /// `chain`: none measures in dBFS only. The stream must have 1 or 2 input channels.
  Session(std::unique_ptr<Stream> stream, std::optional<Chain> chain, SessionSettings settings);
  /// Ramps to silence and reads until it has been played.
  ~Session();
  Session(const Session&) = delete;
  Session& operator=(const Session&) = delete;

  [[nodiscard]] Stream& stream() { return *stream_; }
  [[nodiscard]] const std::optional<Chain>& chain() const { return chain_; }
  [[nodiscard]] const SessionSettings& settings() const { return settings_; }
  [[nodiscard]] SampleRate sample_rate() const { return stream_->sample_rate(); }
  [[nodiscard]] std::size_t channels() const { return channels_; }
  [[nodiscard]] ReadingContext context() const;
  /// Findings with name, time, conditions; started_s and ended_s are the stream's so far.
  [[nodiscard]] Findings begin_findings(const std::string& measurement) const;

  /// Plays a tone from now on, `level_dbfs` RMS re a full-scale sine; ramps there. `channels`: bit
  /// mask of outputs, all by default. Throws Error (kUsage) for a stream without output.
  void play(Hertz frequency, double level_dbfs, std::uint32_t channels = ~0U);
  /// Ramps to silence.
  void silence();
  /// RMS re a full-scale sine; -infinity when silent.
  [[nodiscard]] double drive_dbfs() const { return drive_dbfs_; }

  /// From now on, more than `rms` in samples over 20 ms in any channel makes the output ramp to
  /// silence at once, in the midst of whatever is being read; infinity guards nothing.
  void guard(double rms);
  /// The same for watts in the load, and never above what an input can hold that is not clipping.
  /// Needs a chain.
  void guard_watts(double watts);
  /// Throws Error (kRefused) when the guard has cut the output. `what`: the command, for the text.
  void refuse_if_cut(const char* what) const;
  /// Whether the guard has cut the output since guard() was called.
  [[nodiscard]] bool was_cut() const { return was_cut_; }
  [[nodiscard]] bool is_playing() const { return std::isfinite(drive_dbfs_); }
  /// Of the tone last played.
  [[nodiscard]] double frequency_hz() const { return frequency_.value; }

  /// Delay from playing to reading in frames, measured once by a burst at `level_dbfs`; an upper
  /// estimate when the burst does not come back. Done by the first settle() after a play().
  [[nodiscard]] std::int64_t loop_delay_frames() const { return loop_delay_frames_; }
  void measure_loop_delay(double level_dbfs);

  /// Reads on until what is now being played has come back, and `settling_s` more.
  void settle(double settling_s);

  /// Reads `duration_s` of frames. A gap in them makes it read anew, three times at the most; then
  /// Error (kDevice).
  [[nodiscard]] Capture capture(double duration_s);

  /// Reads and drops `duration_s`, guarded as ever: while somebody is waited for.
  void idle(double duration_s);

  /// The tone in a capture, every channel guessed at `frequency`; findings named "tone" with the
  /// session's conditions. `measured`, when given, receives the analysis behind it.
  [[nodiscard]] Findings measure_tone(const Capture& capture, Hertz frequency,
                                      ToneAnalysis* measured = nullptr) const;

 private:
  void read_all(std::span<double> frames);
  void cut_if_too_loud(std::span<const double> frames);
  void discard(std::int64_t frames);
  [[nodiscard]] bool has_output() const { return stream_->output_channels() > 0; }

  std::unique_ptr<Stream> stream_;
  std::optional<Chain> chain_;
  SessionSettings settings_;
  std::shared_ptr<ToneGenerator> generator_;
  std::size_t channels_;
  double drive_dbfs_;
  Hertz frequency_{0};
  std::uint32_t driven_ = ~0U;
  double guard_rms_ = std::numeric_limits<double>::infinity();
  double guard_w_ = 0;
  bool was_cut_ = false;
  std::int64_t frames_read_ = 0;
  std::int64_t loop_delay_frames_ = -1;
  std::int64_t changed_at_ = 0;  // frame played at which the last change of the tone began
};

}  // namespace sinewright
