// The simulated bench: sound card, divider, load and stereo receiver, from a scenario.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "device/noise_source.h"
#include "device/oversampler.h"
#include "device/receiver_model.h"
#include "device/scenario.h"
#include "device/stream.h"
#include "device/volt_meter.h"
#include "device/wiring.h"

namespace sinewright {

struct SimulatedBenchOptions {
  bool is_real_time = false;  ///< read() waits until its frames would have come from a sound card
};

/// A stereo stream that needs no hardware. What read() returns depends on the scenario, the rate,
/// what was played and what was done to the knobs; never on the clock or on how reads are split.
///
/// Left out on purpose: distortion does not rise with frequency, mains hum and output noise join at
/// the terminals and are not distorted, the rails carry no ripple, the sound card has one clock,
/// its output has no resistance that a divider or the unit would load.
/// The true figures of a scenario are in device/bench_truth.h.
class SimulatedBench final : public Stream {
 public:
  /// Powered, volume at the scenario's start, the first range, silence playing.
  /// Throws Error (kUsage) unless the rate is between 44.1 and 192 kHz.
  SimulatedBench(const Scenario& scenario, SampleRate fs, SimulatedBenchOptions options = {});

  [[nodiscard]] std::string name() const override;
  [[nodiscard]] SampleRate sample_rate() const override { return fs_; }
  [[nodiscard]] int channels() const override { return 2; }
  [[nodiscard]] int output_channels() const override { return 2; }
  [[nodiscard]] std::size_t read(std::span<double> samples) override;
  [[nodiscard]] std::span<const std::int64_t> gaps() const override { return gaps_; }
  void play(std::shared_ptr<Signal> signal) override { signal_ = std::move(signal); }
  [[nodiscard]] std::int64_t frames_played() const override { return frames_played_; }

  /// Frames from playing to reading: the scenario's and the filters', a whole number. The phase of
  /// low cut, high cut and input high-pass comes on top. Each loss of frames shortens it.
  [[nodiscard]] std::int64_t loop_delay_frames() const;

  /// The hand on the knob: 0 dB is fully up. Glides there in some 20 ms.
  /// Throws std::invalid_argument unless `position_db` is between -120 and 0.
  void set_volume_db(double position_db);
  [[nodiscard]] double volume_db() const { return volume_db_; }

  /// Switches the divider. Throws Error (kUsage) when there is no such range.
  void set_range(const std::string& name);

  /// Rewires the bench, hard and between two frames; kUnit at first. The loop delay stays. Away
  /// from the unit neither its hum and noise nor its faults reach the input, and it stands still:
  /// rails and volume go on from where they were. In kLoopback and kTerminated the divider does
  /// nothing.
  void set_wiring(Wiring wiring);
  [[nodiscard]] Wiring wiring() const { return wiring_; }
  [[nodiscard]] std::string device() const override { return "simulated bench"; }

  /// What the technician's meter shows now, rounded to its display and with its own error: volts
  /// RMS over the last tenth of a second read, at the divider's top, the unit's terminals or the
  /// sound card's output; ohms of the load with the leads, or of the leads alone. Volts are 0 where
  /// the wiring brings none. Throws std::invalid_argument for another channel than kLeft, kRight.
  [[nodiscard]] double meter_reading(const MeterPoint& point) const;
  /// The same without the meter's error and display, and without its leads: what is there.
  [[nodiscard]] double meter_truth(const MeterPoint& point) const;

  void set_powered(bool is_powered);
  void set_input_shorted(bool is_shorted) { is_shorted_ = is_shorted; }

  // Faults on purpose. Positions count frames read since the start and must lie ahead; anything
  // else throws std::invalid_argument, as does a channel other than kLeft and kRight.

  /// `count` frames vanish before the frame that is read as number `frame`.
  void lose_frames(std::int64_t frame, std::int64_t count);
  /// From `frame` on the terminals of `channel` carry `step_db` more: a contact, a slipping knob.
  void step_gain(std::int64_t frame, std::size_t channel, double step_db);
  /// From `frame` on the terminals of `channel` carry 0 V: a protection relay opens.
  void kill_channel(std::int64_t frame, std::size_t channel);
  /// From `frame` on the load of `channel` is disconnected: its terminals rise by what the output
  /// impedance took, and draw nothing from the rails.
  void open_load(std::int64_t frame, std::size_t channel);
  /// The device stalls: reading frame `frame` throws Error (kDevice), for good. Those before it are
  /// delivered first.
  void stall(std::int64_t frame);

 private:
  struct Fault {
    std::int64_t frame;
    std::size_t channel;
    double factor;
    bool opens_load = false;
  };
  struct Loss {
    std::int64_t frame;
    std::int64_t count;
  };
  struct Side {  // one channel of the sound card
    Oversampler oversampler;
    std::vector<double> base;    // at the stream's rate
    std::vector<double> high;    // at the inner rate, after `pad` older samples
    std::vector<double> played;  // waits for the loop delay
    double high_pass_x = 0;
    double high_pass_y = 0;
    double fault_gain = 1;
    double output_noise_v = 0;   // RMS at the stream's rate
    std::vector<double> hum_re;  // phasors by order, volts peak at the terminals; [0] is order 1
    std::vector<double> hum_im;
    VoltMeter at_output;
    VoltMeter at_terminals;
    double last_v = 0;         // of the wirings without a unit: in place of its delay
    double samples_per_v = 0;  // at the terminals, the divider's top or the input, as wired
    explicit Side(SampleRate fs);
  };

  void simulate(std::span<double> samples);
  void pull_played(std::size_t frames);
  void convert_to_volts();
  void pass_unit();
  void convert_to_samples();
  void capture(std::span<double> samples);
  double unit_adds(Side& side, double sample, double hum_v);
  double capture_one(Side& side, double sample);
  void update_scales();
  [[nodiscard]] double output_full_scale_v(std::size_t channel) const;
  [[nodiscard]] double played_noise_rms(std::size_t channel) const;
  [[nodiscard]] std::size_t frames_to_next_fault() const;
  void apply_due_faults();
  void lose_due_frames();
  void check_ahead(std::int64_t frame, std::size_t channel) const;
  void wait_for_clock();
  void update_volume(bool is_glide);

  Scenario scenario_;
  SampleRate fs_;
  SimulatedBenchOptions options_;
  std::array<Side, 2> sides_;
  ReceiverModel receiver_;
  std::size_t pad_;  // inner samples that make the delay whole frames
  NoiseSource play_noise_;
  NoiseSource capture_noise_;
  std::shared_ptr<Signal> signal_;
  std::vector<double> pulled_;
  std::size_t played_at_ = 0;  // in Side::played
  double volume_db_;
  std::size_t range_ = 0;
  Wiring wiring_ = Wiring::kUnit;
  bool is_powered_ = true;
  bool is_shorted_ = false;
  double high_pass_gain_;
  double high_pass_pole_;
  double card_noise_rms_;
  std::uint64_t mains_phase_ = 0;  // 2^64 a period
  std::uint64_t mains_step_;
  std::int64_t frames_played_ = 0;
  std::int64_t frames_read_ = 0;
  std::int64_t frames_lost_ = 0;
  std::vector<std::int64_t> gaps_;
  std::vector<Fault> faults_;
  std::vector<Loss> losses_;
  std::optional<std::int64_t> stalls_at_;
  std::optional<std::chrono::steady_clock::time_point> opened_;
};

}  // namespace sinewright
