#include "device/simulated_bench.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <thread>
#include <utility>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr std::size_t kBlockFrames = 64;  // keeps the inner rate's buffers in the first-level cache
constexpr double kNoiseBandHz = 20000;    // the band in which the scenario states noise
constexpr double kSteps = 0x1p23;         // 24 bits: steps from 0 to full scale

int doublings(SampleRate fs) {
  if (!(fs.hz >= 44100 && fs.hz <= 192000)) {
    throw Error(ExitCode::kUsage,
                fmt::format("rate {} Hz: the simulated bench runs at 44100 to 192000", fs.hz));
  }
  int count = 0;
  while (fs.hz * std::exp2(count) < 1.4e6) ++count;
  return count;
}

double factor_of(SampleRate fs) { return std::exp2(doublings(fs)); }

/// RMS at rate `fs` of white noise that has `rms` within kNoiseBandHz.
double full_band_rms(double rms, SampleRate fs) {
  return rms * std::sqrt(fs.hz / 2 / kNoiseBandHz);
}

/// A 24-bit converter with triangular dither of ±1 step; saturates.
double quantised(double sample, NoiseSource& noise) {
  const double step = std::floor(sample * kSteps + noise.triangular() + 0.5);
  return std::clamp(step, -kSteps, kSteps - 1) / kSteps;
}

double bent(double x, const Polynomial& curve) {
  const double x2 = x * x;
  return x + x2 * (curve.second + x * (curve.third + x2 * curve.fifth));
}

void bend(std::span<double> samples, const Polynomial& curve, double gain) {
  for (double& sample : samples) sample = gain * bent(sample, curve);
}

/// What was bent to `y`, for curves that bend little: each step leaves as much less as they bend.
double unbent(double y, const Polynomial& curve) {
  double x = y;
  for (int k = 0; k < 2; ++k) x += y - bent(x, curve);
  return x;
}

}  // namespace

SimulatedBench::Side::Side(SampleRate fs)
    : oversampler(doublings(fs)), at_output(fs.hz), at_terminals(fs.hz) {}

SimulatedBench::SimulatedBench(const Scenario& scenario, SampleRate fs,
                               SimulatedBenchOptions options)
    : scenario_(scenario),
      fs_(fs),
      options_(options),
      sides_{Side(fs), Side(fs)},
      receiver_(scenario, fs.hz * factor_of(fs), sides_[0].oversampler.factor()),
      play_noise_(scenario.noise_seed),
      capture_noise_(~scenario.noise_seed),
      volume_db_(scenario.receiver.volume.start_db),
      mains_step_(static_cast<std::uint64_t>(scenario.mains_frequency_hz / fs.hz * 0x1p64)) {
  const std::size_t factor = sides_[0].oversampler.factor();
  const std::size_t delay = sides_[0].oversampler.delay() + 1;  // 1: the receiver's
  pad_ = (factor - delay % factor) % factor;
  const double k = std::tan(kTwoPi / 2 * scenario.sound_card.input_high_pass_hz / fs.hz);
  high_pass_gain_ = 1 / (1 + k);
  high_pass_pole_ = (1 - k) / (1 + k);
  card_noise_rms_ = full_band_rms(rms_of_dbfs(scenario.sound_card.input_noise_dbfs), fs);
  for (std::size_t c = 0; c < 2; ++c) {
    Side& side = sides_[c];
    side.high.assign(pad_, 0);
    side.played.assign(static_cast<std::size_t>(scenario.sound_card.loop_delay_frames), 0);
    side.output_noise_v = full_band_rms(scenario.receiver.channels[c].output_noise_vrms, fs);
    for (const SimulatedHumLine& line : scenario.receiver.channels[c].hum) {
      const auto order = static_cast<std::size_t>(line.order);
      side.hum_re.resize(std::max(side.hum_re.size(), order));
      side.hum_im.resize(side.hum_re.size());
      const double peak_v = line.level_vrms * std::numbers::sqrt2;
      side.hum_re[order - 1] += peak_v * std::cos(line.phase_deg * kTwoPi / 360);
      side.hum_im[order - 1] += peak_v * std::sin(line.phase_deg * kTwoPi / 360);
    }
  }
  update_volume(false);
  update_scales();
}

std::string SimulatedBench::name() const { return "simulated bench: " + scenario_.name; }

std::int64_t SimulatedBench::loop_delay_frames() const {
  const Oversampler& oversampler = sides_[0].oversampler;
  const std::size_t filters = (oversampler.delay() + 1 + pad_) / oversampler.factor();
  return scenario_.sound_card.loop_delay_frames + static_cast<std::int64_t>(filters) - frames_lost_;
}

std::size_t SimulatedBench::read(std::span<double> samples) {
  std::size_t frames = samples.size() / 2;
  if (stalls_at_ && frames > 0) {
    frames = std::min(frames, static_cast<std::size_t>(*stalls_at_ - frames_read_));
    if (frames == 0) {
      throw Error(ExitCode::kDevice, fmt::format("{}: stopped delivering; start again", name()));
    }
  }
  std::size_t done = 0;
  while (done < frames) {
    lose_due_frames();
    apply_due_faults();
    const std::size_t block = std::min({kBlockFrames, frames - done, frames_to_next_fault()});
    simulate(samples.subspan(2 * done, 2 * block));
    done += block;
    frames_read_ += static_cast<std::int64_t>(block);
  }
  if (options_.is_real_time) wait_for_clock();
  return frames;
}

std::size_t SimulatedBench::frames_to_next_fault() const {
  std::int64_t next = std::numeric_limits<std::int64_t>::max();
  for (const Loss& loss : losses_) next = std::min(next, loss.frame);
  for (const Fault& fault : faults_) next = std::min(next, fault.frame);
  return static_cast<std::size_t>(next - frames_read_);
}

void SimulatedBench::wait_for_clock() {
  const auto now = std::chrono::steady_clock::now();
  if (!opened_) opened_ = now;
  const std::chrono::duration<double> since(static_cast<double>(frames_played_) / fs_.hz);
  std::this_thread::sleep_until(
      *opened_ + std::chrono::duration_cast<std::chrono::steady_clock::duration>(since));
}

void SimulatedBench::lose_due_frames() {
  std::int64_t due = 0;
  std::erase_if(losses_, [&](const Loss& loss) {
    if (loss.frame > frames_read_) return false;
    due += loss.count;
    return true;
  });
  if (due == 0) return;
  gaps_.push_back(frames_read_);
  frames_lost_ += due;
  std::vector<double> lost(2 * kBlockFrames);
  while (due > 0) {
    const auto block = std::min(due, static_cast<std::int64_t>(kBlockFrames));
    simulate(std::span(lost).first(static_cast<std::size_t>(2 * block)));
    due -= block;
  }
}

void SimulatedBench::apply_due_faults() {
  std::erase_if(faults_, [&](const Fault& fault) {
    if (fault.frame > frames_read_) return false;
    if (fault.opens_load) receiver_.open_load(fault.channel);
    sides_[fault.channel].fault_gain *= fault.factor;
    return true;
  });
}

/// One block of frames, through the whole chain.
void SimulatedBench::simulate(std::span<double> samples) {
  pull_played(samples.size() / 2);
  convert_to_volts();
  pass_unit();
  convert_to_samples();
  capture(samples);
}

double SimulatedBench::output_full_scale_v(std::size_t channel) const {
  return scenario_.sound_card.output_full_scale_vrms * scenario_.parts.output_scale[channel] *
         std::numbers::sqrt2;
}

/// Relative to full scale. What the receiver's input adds stands at the same point as the
/// converter's own noise.
double SimulatedBench::played_noise_rms(std::size_t channel) const {
  const double card_rms = full_band_rms(rms_of_dbfs(scenario_.sound_card.output_noise_dbfs), fs_);
  if (wiring_ != Wiring::kUnit) return card_rms;
  const double input_rms =
      full_band_rms(scenario_.receiver.input_noise_vrms / output_full_scale_v(channel), fs_);
  return is_shorted_ ? input_rms : std::hypot(input_rms, card_rms);
}

void SimulatedBench::pull_played(std::size_t frames) {
  pulled_.assign(2 * frames, 0);
  if (signal_) signal_->fill(pulled_, 2);
  frames_played_ += static_cast<std::int64_t>(frames);
  const std::array<double, 2> noise_rms = {played_noise_rms(kLeft), played_noise_rms(kRight)};
  const std::array<double, 2> full_scale_v = {output_full_scale_v(kLeft),
                                              output_full_scale_v(kRight)};
  const bool is_shorted = is_shorted_ && wiring_ == Wiring::kUnit;
  for (Side& side : sides_) side.base.resize(frames);
  for (std::size_t n = 0; n < frames; ++n) {
    for (std::size_t c = 0; c < 2; ++c) {
      Side& side = sides_[c];
      double sample = pulled_[2 * n + c];
      if (!side.played.empty()) std::swap(sample, side.played[played_at_]);
      const double converted = quantised(sample, play_noise_);
      const double noise = noise_rms[c] * play_noise_.gaussian();
      side.base[n] = (is_shorted ? 0 : converted) + noise;
      side.at_output.push(full_scale_v[c] * bent(side.base[n], scenario_.sound_card.output_curve));
    }
    if (++played_at_ >= sides_[kLeft].played.size()) played_at_ = 0;
  }
}

void SimulatedBench::convert_to_volts() {
  for (std::size_t c = 0; c < 2; ++c) {
    Side& side = sides_[c];
    side.high.resize(pad_ + side.base.size() * side.oversampler.factor());
    const std::span<double> high = std::span(side.high).subspan(pad_);
    side.oversampler.up(side.base, high);
    bend(high, scenario_.sound_card.output_curve, output_full_scale_v(c));
  }
}

/// From the sound card's output to what the input or its divider sees.
void SimulatedBench::pass_unit() {
  if (wiring_ == Wiring::kUnit) {
    receiver_.process(std::span(sides_[kLeft].high).subspan(pad_),
                      std::span(sides_[kRight].high).subspan(pad_));
    return;
  }
  for (Side& side : sides_) {  // as late by one sample as the receiver is
    const double newest = side.high.back();
    const auto first = side.high.begin() + static_cast<std::ptrdiff_t>(pad_);
    std::copy_backward(first, side.high.end() - 1, side.high.end());
    *first = std::exchange(side.last_v, newest);
  }
}

void SimulatedBench::convert_to_samples() {
  for (Side& side : sides_) {
    const std::size_t due_count = side.high.size() - pad_;
    const std::span<double> due = std::span(side.high).first(due_count);
    for (double& sample : due) sample *= side.samples_per_v;
    bend(due, scenario_.sound_card.input_curve, 1);
    side.oversampler.down(due, side.base);
    std::copy_n(&side.high[due_count], pad_, side.high.begin());
  }
}

void SimulatedBench::capture(std::span<double> samples) {
  const std::size_t frames = samples.size() / 2;
  if (wiring_ != Wiring::kUnit) {
    for (std::size_t n = 0; n < frames; ++n) {
      for (std::size_t c = 0; c < 2; ++c) {
        samples[2 * n + c] = capture_one(sides_[c], sides_[c].base[n]);
      }
    }
    mains_phase_ += mains_step_ * frames;
    return;
  }
  for (std::size_t n = 0; n < frames; ++n) {
    const double angle = static_cast<double>(mains_phase_) * 0x1p-64 * kTwoPi;
    const double re = std::cos(angle);
    const double im = std::sin(angle);
    mains_phase_ += mains_step_;
    for (std::size_t c = 0; c < 2; ++c) {
      Side& side = sides_[c];
      // Horner: the sum over the orders k of phasor[k] z^k, by one complex product each.
      double sum_re = 0;
      double sum_im = 0;
      for (std::size_t k = side.hum_re.size(); k-- > 0;) {
        const double a = sum_re + side.hum_re[k];
        const double b = sum_im + side.hum_im[k];
        sum_re = a * re - b * im;
        sum_im = a * im + b * re;
      }
      samples[2 * n + c] = capture_one(side, unit_adds(side, side.base[n], sum_re));
    }
  }
}

/// With hum and noise of the output, and what a fault makes of it all.
double SimulatedBench::unit_adds(Side& side, double sample, double hum_v) {
  const double noise_v = side.output_noise_v * capture_noise_.gaussian();
  const double added_v = is_powered_ ? hum_v + noise_v : 0;
  const double heard = unbent(sample, scenario_.sound_card.input_curve) / side.samples_per_v;
  side.at_terminals.push(side.fault_gain * (heard + added_v));
  return side.fault_gain * (sample + side.samples_per_v * added_v);
}

double SimulatedBench::capture_one(Side& side, double sample) {
  side.high_pass_y =
      high_pass_gain_ * (sample - side.high_pass_x) + high_pass_pole_ * side.high_pass_y;
  side.high_pass_x = sample;
  const double noisy = side.high_pass_y + card_noise_rms_ * capture_noise_.gaussian();
  return quantised(noisy, capture_noise_);
}

}  // namespace sinewright
