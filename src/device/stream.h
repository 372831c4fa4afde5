// Where frames come from and go to: the one interface between the analysis and the world.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <string>

#include "dsp/signal.h"
#include "dsp/units.h"

namespace sinewright {

/// Frames at a known rate: from the sound card, a recording or the simulated bench. What follows
/// never learns which.
class Source {
 public:
  virtual ~Source() = default;

  [[nodiscard]] virtual std::string name() const = 0;
  /// What a calibration is tied to: the sound card, whatever else `name` says.
  [[nodiscard]] virtual std::string device() const { return name(); }
  [[nodiscard]] virtual SampleRate sample_rate() const = 0;
  [[nodiscard]] virtual int channels() const = 0;

  /// Fills whole frames into `samples` (interleaved, full scale ±1) and returns how many frames
  /// came; 0 at the end. Lost frames are no error: gaps() names the frame that follows each gap.
  /// Throws Error (kDevice) when a device stops delivering, Error (kInput) when a file breaks off.
  [[nodiscard]] virtual std::size_t read(std::span<double> samples) = 0;

  /// Index, counted in frames read since the start, of each frame before which some were lost.
  [[nodiscard]] virtual std::span<const std::int64_t> gaps() const = 0;
};

/// A source that also plays: the sound card in both directions, or the simulated bench.
class Stream : public Source {
 public:
  [[nodiscard]] virtual int output_channels() const = 0;

  /// Whether other programs, system sounds among them, can play through the same output.
  [[nodiscard]] virtual bool shares_output() const { return false; }

  /// What is played from now on; nullptr is silence. Starts and ends hard: ramps are the signal's.
  virtual void play(std::shared_ptr<Signal> signal) = 0;

  /// Frames taken from the signal, or filled with silence, since the stream opened. They run ahead
  /// of the frames read by the buffers; a frame played as number n returns as number n + delay,
  /// with a delay that holds still while the stream is open (same clock on both sides).
  [[nodiscard]] virtual std::int64_t frames_played() const = 0;
};

}  // namespace sinewright
