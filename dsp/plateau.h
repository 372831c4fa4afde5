// Finds the stretches in which a signal holds still.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "dsp/units.h"

namespace sinewright {

enum class PlateauKind {
  kTone,          ///< one steady tone (channels may carry tones of their own)
  kTwoTones,      ///< two steady tones
  kNoise,         ///< steady noise or hum
  kSilence,       ///< every sample the same
  kUnclassified,  ///< music, speech, more than two tones: merged, not measured
};

/// A plateau that has been recognised and may still go on.
struct PlateauStart {
  PlateauKind kind;
  std::int64_t begin;                ///< first frame
  std::vector<double> frequency_hz;  ///< of the tone (the stronger of two), for each channel
  std::vector<double> second_hz;     ///< of the weaker tone; empty but for two
};

/// A place inside a plateau where it did not hold, and after which it goes on.
struct PlateauBreak {
  enum class Kind {
    kTransient,      ///< a click or dropout: the tone before is the tone after
    kDiscontinuity,  ///< frames lost or repeated: the tone goes on with another phase
  };
  Kind kind;
  std::int64_t begin;     ///< frames from here
  std::int64_t end;       ///< to here are not part of the plateau
  double shifted_frames;  ///< of a discontinuity: how many frames are missing (negative: too many),
                          ///< as far as the phase tells: to a whole period
};

/// Is told of plateaus in the order of time. Frames come in pieces, without a gap but for breaks.
class PlateauListener {
 public:
  virtual ~PlateauListener() = default;
  virtual void on_begin(const PlateauStart& start) = 0;
  /// Steady frames, interleaved; valid during the call.
  virtual void on_frames(std::int64_t first, std::span<const double> frames) = 0;
  virtual void on_break(const PlateauBreak& gap) = 0;
  virtual void on_end(std::int64_t end) = 0;
};

struct PlateauSettings {
  /// A line near a low multiple of 50 or 60 Hz below this level is hum, not a tone.
  double hum_below_dbfs = -40;
  /// A restless stretch longer than this is reported as unclassified; a shorter one lies between.
  double longest_transition_s = 2;
};

/// Streaming, constant memory: frames in, plateaus out.
///
/// Coarse: Hann windows of 10 ms, doubled until they hold four periods of the strongest line, tell
/// tone from noise. Fine: hop by hop the phasor of the tone is predicted from those before; an
/// innovation beyond six standard deviations (and 0.035 dB, or the phase of half a lost frame) ends
/// the plateau, unless the hops after show the same tone again (a transient) or the same tone with
/// another phase (frames lost). Edges are refined in eighths of a hop by the residual, and half a
/// hop is cut off. Noise is followed in hops of 100 ms, whole periods of 50 and 60 Hz, and split
/// where its level leaves five standard deviations of its own statistic.
class PlateauDetector {
 public:
  /// Throws std::invalid_argument for fewer than 1 channel or a rate below 1000 Hz.
  PlateauDetector(SampleRate fs, int channels, const PlateauSettings& settings,
                  PlateauListener& listener);
  ~PlateauDetector();
  PlateauDetector(const PlateauDetector&) = delete;
  PlateauDetector& operator=(const PlateauDetector&) = delete;

  /// Whole frames, interleaved, any number. Samples must be finite.
  void push(std::span<const double> frames);

  /// The signal ends or breaks off here: what is still open is closed. push() may follow, after
  /// `lost` frames that count in positions only.
  void finish(std::int64_t lost = 0);

 private:
  class State;
  std::unique_ptr<State> state_;
};

}  // namespace sinewright
