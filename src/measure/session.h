// One sitting at the bench: the stream, the chain, the conditions, and the drive.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "bench/profile.h"
#include "device/stream.h"
#include "dsp/tone_analysis.h"
#include "findings/error.h"
#include "findings/findings.h"
#include "measure/drive.h"
#include "measure/measurement.h"
#include "measure/tone_findings.h"

namespace sinewright {

/// What a session needs to know beside the stream.
struct SessionSettings {
  Band band;
  std::vector<Condition> conditions;  ///< as stated by the operator, kept with every run
  /// Asked at every block read while a tone plays; true ramps to silence at once and throws
  /// Stopped. Empty: never.
  std::function<bool()> is_stopped = {};
};

/// The operator stopped while a tone was playing; the output is ramping down. Procedures that have
/// finished points catch it and keep them.
class Stopped : public Error {
 public:
  Stopped() : Error(ExitCode::kFailure, "interrupted; the output was ramped down") {}
};

/// Frames of one steady tone, as they came back.
struct Capture {
  std::vector<double> frames;  ///< interleaved
  std::int64_t first = 0;      ///< number of the first frame since the stream opened
};

/// Owns the stream and the Drive. The drive starts silent, ramps, is observed with every block
/// read, and is silent again when the session ends, however it ends.
class Session {
 public:
  /// `chain`: none measures in dBFS only. The stream must have 1 or 2 input channels; a single one,
  /// named "1", is read with what the profile says of left.
  Session(std::unique_ptr<Stream> stream, std::optional<Chain> chain, SessionSettings settings);
  /// Ramps to silence and reads until it has been played.
  ~Session();
  Session(const Session&) = delete;
  Session& operator=(const Session&) = delete;

  /// To be asked, not to be played on: that is the Drive's alone.
  [[nodiscard]] const Stream& stream() const { return *stream_; }
  [[nodiscard]] const std::optional<Chain>& chain() const { return chain_; }
  [[nodiscard]] const SessionSettings& settings() const { return settings_; }
  [[nodiscard]] SampleRate sample_rate() const { return stream_->sample_rate(); }
  [[nodiscard]] std::size_t channels() const { return channels_; }
  [[nodiscard]] ReadingContext context() const;
  /// Findings with name, time, conditions; started_s and ended_s are the stream's so far.
  [[nodiscard]] Findings begin_findings(const std::string& measurement) const;

  /// Plays a tone from now on, `level_dbfs` RMS re a full-scale sine; ramps there. `channels`: bit
  /// mask of outputs, all by default. With a chain it climbs there in observed steps where the gain
  /// is unknown (Drive::next_level), which reads up to some seconds; otherwise it returns at once.
  /// Throws Error (kUsage) for a stream without output or a tone that cannot be played, Error
  /// (kRefused) when it would come, or came, to more than the limit: silent then.
  void play(Hertz frequency, double level_dbfs, std::uint32_t channels = ~0U);
  /// Ramps to silence.
  void silence();
  /// RMS re a full-scale sine; -infinity when silent.
  [[nodiscard]] double drive_dbfs() const { return drive_.level_dbfs(); }
  [[nodiscard]] const Drive& drive() const { return drive_; }

  /// Drive::limit_watts(). A session with a chain starts at the profile's limit; procedures lower
  /// it.
  void guard_watts(double watts, bool is_confirmable = true) {
    drive_.limit_watts(watts, is_confirmable);
  }
  /// Drive::limit_rms(): for wirings without a unit; infinity guards nothing.
  void guard(double rms) { drive_.limit_rms(rms); }
  /// Drive::forget_gain(): after the operator was asked for something and nothing was read
  /// meanwhile.
  void forget_gain() { drive_.forget_gain(); }
  /// Throws Error (kRefused) when the output has been cut since the limit was set. `what`: the
  /// command, for the text.
  void refuse_if_cut(const char* what) const;
  [[nodiscard]] bool was_cut() const { return drive_.cut() != Cut::kNone; }
  [[nodiscard]] bool is_playing() const { return drive_.is_playing(); }
  /// Of the tone last played.
  [[nodiscard]] double frequency_hz() const { return drive_.frequency().value; }

  /// Before a tone of `duration_s` is played: rests in silence for as long as the load and output
  /// networks need after what they have had, telling `progress` how long ("load cools, 12 s").
  /// Returns at once when they need none, nothing is known, or on cancellation.
  /// Throws Error (kRefused) when they never stand it.
  void rest_before(Hertz frequency, double level_dbfs, double duration_s, Progress& progress,
                   double fraction, std::uint32_t channels = ~0U);

  /// Delay from playing to reading in frames, measured once by a burst at up to `level_dbfs`; an
  /// upper estimate when none comes back. Done by the first settle() after a play(), or by play()
  /// itself; done anew when a louder tone may be heard where a fainter one was not.
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
  void discard(std::int64_t frames);
  void start(Hertz frequency, double level_dbfs, std::uint32_t channels);
  void observe_step();
  [[nodiscard]] bool find_burst(double floor_rms);
  [[nodiscard]] bool is_delay_sought(double level_dbfs) const;
  [[nodiscard]] bool has_output() const { return stream_->output_channels() > 0; }
  /// First frame read that holds nothing but what is being played.
  [[nodiscard]] std::int64_t settled_at(double settling_s) const;

  std::unique_ptr<Stream> stream_;
  std::optional<Chain> chain_;
  SessionSettings settings_;
  std::size_t channels_;
  std::shared_ptr<const SoundCardResidual> residual_;
  Drive drive_;
  std::int64_t frames_read_ = 0;
  std::int64_t loop_delay_frames_ = -1;
  std::optional<double> unheard_dbfs_;  // the loudest burst that did not come back
  std::int64_t changed_at_ = 0;         // frame played at which the last change of the tone began
};

}  // namespace sinewright
