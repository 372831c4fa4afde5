#include "measure/stream_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <complex>

#include "dsp/phase.h"
#include "findings/error.h"

namespace sinewright {
namespace {

constexpr double kLinearity_db = 0.1;
constexpr double kConstancy_db = 0.05;
constexpr double kTopOfBand_db = 1;
constexpr double kClock_ppm = 0.5;
constexpr double kJump_samples = 0.1;
constexpr double kSigmas = 6;
constexpr double kBlock_s = 0.25;
constexpr double kReading_s = 0.5;
constexpr double kSeparation_db = 20;
constexpr int kMostBits = 24;

struct Tone {
  double db;            // level in dBFS
  double deviation_db;  // its standard deviation
  bool clips;
};

std::vector<Tone> read_tone(Session& session, double frequency_hz, double level_dbfs,
                            std::uint32_t mask, double duration_s) {
  session.play({frequency_hz}, level_dbfs, mask);
  session.settle(0.1);
  ToneAnalysis analysis;
  static_cast<void>(session.measure_tone(session.capture(duration_s), {frequency_hz}, &analysis));
  std::vector<Tone> tones;
  for (const ToneChannel& channel : analysis.channels) {
    tones.push_back({dbfs_of_rms(channel.fundamental_rms), 8.686 * channel.level_deviation,
                     channel.peaks.full_scale_runs > 0});
  }
  return tones;
}

// The tone's phasor in each block, its phase relative to that of an exact tone over all frames.
std::vector<std::complex<double>> phasors(std::span<const double> frames, std::size_t channels,
                                          std::size_t channel, std::int64_t first, Hertz frequency,
                                          SampleRate fs) {
  const auto block = static_cast<std::size_t>(kBlock_s * fs.hz);
  const std::uint64_t step = phase_step(frequency, fs);
  std::vector<std::complex<double>> result;
  for (std::size_t at = 0; (at + block) * channels <= frames.size(); at += block) {
    std::complex<double> sum = 0;
    for (std::size_t n = 0; n < block; ++n) {
      // Hann: what is beside the tone leaks in as the third power of its distance.
      const double window =
          1 - std::cos(kTwoPi * (static_cast<double>(n) + 0.5) / static_cast<double>(block));
      const std::uint64_t phase = (static_cast<std::uint64_t>(first) + at + n) * step;
      sum += window * frames[(at + n) * channels + channel] * std::conj(unit_phasor(phase));
    }
    result.push_back(sum * 2.0 / static_cast<double>(block));
  }
  return result;
}

// The fewest bits whose steps hold every sample; 25 for more than an integer converter has.
int resolution_bits(std::span<const double> frames) {
  for (int bits = 8; bits <= kMostBits; ++bits) {
    const double steps = std::ldexp(1.0, bits - 1);
    const bool fits = std::all_of(frames.begin(), frames.end(), [&](double sample) {
      return sample * steps == std::nearbyint(sample * steps);
    });
    if (fits) return bits;
  }
  return kMostBits + 1;
}

struct Track {
  double constancy_db;  // highest less lowest
  double noise_db;      // standard deviation of one block, from block to block
  double clock_ppm;
  double clock_deviation_ppm;
  double jump_samples;  // the largest step between blocks, beside the line
};

Track track_of(const std::vector<std::complex<double>>& blocks, double frequency_hz, double fs_hz) {
  const auto count = static_cast<double>(blocks.size());
  std::vector<double> level_db;
  std::vector<double> phase;
  for (const std::complex<double>& block : blocks) {
    level_db.push_back(db_of_amplitude_ratio(std::abs(block)));
    const double turned = std::arg(block);
    phase.push_back(phase.empty() ? turned
                                  : phase.back() + std::remainder(turned - phase.back(), kTwoPi));
  }
  const double mean_at = (count - 1) / 2;
  double mean = 0;
  for (const double p : phase) mean += p / count;
  double slope = 0;
  double squares = 0;
  for (std::size_t i = 0; i < phase.size(); ++i) {
    const double x = static_cast<double>(i) - mean_at;
    slope += x * (phase[i] - mean);
    squares += x * x;
  }
  slope /= squares;  // rad a block
  double step_squares = 0;
  double jump = 0;
  double level_squares = 0;
  for (std::size_t i = 1; i < phase.size(); ++i) {
    const double step = phase[i] - phase[i - 1] - slope;
    jump = std::max(jump, std::abs(step));
    step_squares += step * step;
    const double change_db = level_db[i] - level_db[i - 1];
    level_squares += change_db * change_db;
  }
  const double phase_deviation = std::sqrt(step_squares / (count - 1) / 2);
  const double rad_to_ppm = 1e6 / (kTwoPi * frequency_hz * kBlock_s);
  const auto [low, high] = std::minmax_element(level_db.begin(), level_db.end());
  return {*high - *low, std::sqrt(level_squares / (count - 1) / 2), slope * rad_to_ppm,
          phase_deviation / std::sqrt(squares) * rad_to_ppm,
          jump * fs_hz / (kTwoPi * frequency_hz)};
}

class Check {
 public:
  Check(Session& session, const StreamCheckSettings& settings, Progress& progress,
        Findings& findings)
      : session_(session),
        settings_(settings),
        progress_(progress),
        findings_(findings),
        names_(session.context().channels) {}

  void run() {
    channels_apart();
    if (progress_.is_cancelled()) return;
    linearity();
    if (progress_.is_cancelled()) return;
    steady_stretch();  // right after the faint tone: an automatic gain has turned itself up there
    if (progress_.is_cancelled()) return;
    top_of_band();
  }

 private:
  void altered(const std::string& text, const std::string& channel) {
    append_caution(findings_, kStreamAltered, text, channel);
  }

  void channels_apart() {
    progress_.report(0, "each channel alone");
    reference_ = read_tone(session_, settings_.frequency_hz, settings_.level_dbfs, ~0U, kReading_s);
    for (std::size_t c = 0; c < names_.size(); ++c) {
      if (reference_[c].db > settings_.level_dbfs - 80) continue;
      session_.silence();
      throw Error(ExitCode::kRefused,
                  fmt::format("{}: the tone does not come back in {}; check the wiring and that "
                              "this is the input in use",
                              session_.stream().name(), names_[c]));
    }
    if (names_.size() < 2 || session_.stream().output_channels() < 2) return;
    const auto left = read_tone(session_, settings_.frequency_hz, settings_.level_dbfs, 1, 0.25);
    const auto right = read_tone(session_, settings_.frequency_hz, settings_.level_dbfs, 2, 0.25);
    const double own_db = std::min(left[0].db - reference_[0].db, right[1].db - reference_[1].db);
    const double other_db = std::max(left[1].db - reference_[1].db, right[0].db - reference_[0].db);
    if (own_db < -kSeparation_db && other_db > -3) {
      append_caution(findings_, "channels_swapped",
                     "left plays into right and right into left: cross the plugs, or the profile's "
                     "values belong to the other channel");
    } else if (other_db > -kSeparation_db) {
      append_caution(findings_, "mono_input",
                     fmt::format("one channel alone stands in the other at {:.1f} dB: a mono "
                                 "input, a mixer, or mono mode",
                                 other_db));
    }
  }

  void linearity() {
    for (const double level_dbfs : {-1.0, -60.0}) {
      progress_.report(level_dbfs < -50 ? 0.2 : 0.1, fmt::format("{:g} dBFS", level_dbfs));
      const auto tones =
          read_tone(session_, settings_.frequency_hz, level_dbfs, ~0U, 2 * kReading_s);
      for (std::size_t c = 0; c < tones.size(); ++c) {
        const double deviation_db =
            tones[c].db - reference_[c].db - (level_dbfs - settings_.level_dbfs);
        const char* key = level_dbfs < settings_.level_dbfs ? "linearity_faint" : "linearity_loud";
        append_reading(findings_, key, names_[c], deviation_db, Unit::kDb);
        if (tones[c].clips) {
          findings_.readings.back().value.reset();
          findings_.readings.back().note = "the input clips at this level";
          continue;
        }
        const double limit_db =
            kLinearity_db + kSigmas * std::hypot(tones[c].deviation_db, reference_[c].deviation_db);
        if (std::abs(deviation_db) <= limit_db) continue;
        altered(fmt::format("a tone of {:g} dBFS comes back {:+.2f} dB off what {:g} dBFS gave: a "
                            "limiter, an automatic gain or noise suppression is on",
                            level_dbfs, deviation_db, settings_.level_dbfs),
                names_[c]);
      }
    }
  }

  void steady_stretch() {
    progress_.report(0.3, fmt::format("one tone for {:g} s", settings_.steady_s));
    session_.play({settings_.frequency_hz}, settings_.level_dbfs);
    session_.settle(0.1);
    const double fs = session_.sample_rate().hz;
    const Capture capture = session_.capture(settings_.steady_s);
    const int bits = resolution_bits(capture.frames);
    append_reading(findings_, "resolution_bits", names_.size() == 2 ? "pair" : names_[0],
                   std::min(bits, kMostBits), Unit::kCount);
    if (bits > kMostBits) findings_.readings.back().note = "or more: samples are not integers";
    if (bits <= 16) {
      append_caution(findings_, "coarse_samples",
                     fmt::format("samples have {} bits: choose the device's 24-bit format, or read "
                                 "nothing below {:.0f} dBFS",
                                 bits, -6.02 * bits));
    }
    for (std::size_t c = 0; c < names_.size(); ++c) {
      const Track track = track_of(phasors(capture.frames, names_.size(), c, capture.first,
                                           {settings_.frequency_hz}, session_.sample_rate()),
                                   settings_.frequency_hz, fs);
      append_reading(findings_, "constancy", names_[c], track.constancy_db, Unit::kDb);
      append_reading(findings_, "clock_difference", names_[c], track.clock_ppm, Unit::kPpm);
      if (track.constancy_db > kConstancy_db + kSigmas * track.noise_db) {
        altered(fmt::format("a steady tone changes by {:.2f} dB within {:g} s: an automatic gain "
                            "or noise suppression is on, or a control was moved",
                            track.constancy_db, settings_.steady_s),
                names_[c]);
      }
      const double noise_samples =
          track.clock_deviation_ppm * 1e-6 * kBlock_s * fs;  // of one block's phase, small
      if (track.jump_samples > kJump_samples + kSigmas * noise_samples) {
        altered(fmt::format("the tone's phase jumps by {:.2g} samples: samples are lost or "
                            "inserted without notice",
                            track.jump_samples),
                names_[c]);
      } else if (std::abs(track.clock_ppm) > kClock_ppm + kSigmas * track.clock_deviation_ppm) {
        append_caution(findings_, "clocks_differ",
                       fmt::format("input and output run {:+.2f} ppm apart: two devices, or "
                                   "resampling between them; use input and output of one device",
                                   track.clock_ppm),
                       names_[c]);
      }
    }
  }

  void top_of_band() {
    progress_.report(0.9, "0.45 of the sample rate");
    const double frequency_hz = 0.45 * session_.sample_rate().hz;
    const auto tones = read_tone(session_, frequency_hz, settings_.level_dbfs, ~0U, kReading_s);
    for (std::size_t c = 0; c < tones.size(); ++c) {
      const double drop_db = tones[c].db - reference_[c].db;
      append_reading(findings_, "top_of_band", names_[c], drop_db, Unit::kDb);
      findings_.readings.back().note =
          fmt::format("{:.6g} Hz re {:g} Hz", frequency_hz, settings_.frequency_hz);
      if (std::abs(drop_db) <= kTopOfBand_db) continue;
      altered(fmt::format("{:.6g} Hz comes back {:+.1f} dB off: the stream is resampled on the way "
                          "(the device runs at another rate), or the card filters there; set the "
                          "system to {:.6g} Hz",
                          frequency_hz, drop_db, session_.sample_rate().hz),
              names_[c]);
    }
  }

  Session& session_;
  const StreamCheckSettings& settings_;
  Progress& progress_;
  Findings& findings_;
  std::vector<std::string> names_;
  std::vector<Tone> reference_;
};

}  // namespace

void check_stream(Session& session, const StreamCheckSettings& settings, Progress& progress,
                  Findings& findings) {
  Check(session, settings, progress, findings).run();
  session.silence();
}

}  // namespace sinewright
