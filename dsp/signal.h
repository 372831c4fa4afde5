// What can be played: anything that yields frames on demand.
#pragma once

#include <span>

namespace sinewright {

/// Frames to be played, made on demand and without end.
class Signal {
 public:
  virtual ~Signal() = default;

  /// Writes the next frames into `frames`, interleaved, `channels` samples each, full scale ±1.
  /// Called by the thread that reads the stream, ahead of time, never from an audio callback.
  virtual void fill(std::span<double> frames, int channels) = 0;
};

}  // namespace sinewright
