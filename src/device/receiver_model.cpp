#include "device/receiver_model.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <string>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr double kGlideS = 0.004;  // time constant of the hand on the knob

/// Bilinear transform of a first-order corner, not prewarped: exact towards 0 Hz.
double warped(double corner_hz, double rate_hz) { return std::numbers::pi * corner_hz / rate_hz; }

}  // namespace

double ReceiverModel::OnePole::low_pass(double in) {
  y = gain * (in + x) + pole * y;
  x = in;
  return y;
}

double ReceiverModel::OnePole::high_pass(double in) {
  y = gain * (in - x) + pole * y;
  x = in;
  return y;
}

ReceiverModel::ReceiverModel(const Scenario& scenario, double rate_hz, std::size_t group)
    : group_(group), load_ohm_(scenario.load_ohm), supply_(scenario.receiver.supply) {
  if (!(rate_hz > 1e6)) {
    throw std::invalid_argument("rate_hz must be above 1e6, is " + std::to_string(rate_hz));
  }
  if (group < 1) throw std::invalid_argument("group must be 1 or more, is 0");
  const Receiver& receiver = scenario.receiver;
  crosstalk_gain_ = amplitude_ratio_of_db(receiver.crosstalk_db);
  stage_gain_ = amplitude_ratio_of_db(receiver.gain_db);
  const double group_s = static_cast<double>(group) / rate_hz;
  smoothing_ = 1 - std::exp(-group_s / supply_.time_constant_s);
  glide_ = 1 - std::exp(-group_s / kGlideS);
  const double peak = scenario.rated_peak_v();
  for (std::size_t c = 0; c < 2; ++c) {
    const ReceiverChannel& from = receiver.channels[c];
    Channel& channel = channels_[c];
    const auto set = [&](OnePole& filter, double corner_hz, bool is_low_pass) {
      const double k = warped(corner_hz, rate_hz);
      filter.gain = (is_low_pass ? k : 1) / (1 + k);
      filter.pole = (1 - k) / (1 + k);
    };
    set(channel.crosstalk, receiver.crosstalk_corner_hz, false);
    set(channel.low_cut, from.low_cut_hz, false);
    set(channel.high_cut, from.high_cut_hz, true);
    channel.second = from.curve.second / peak;
    channel.third = from.curve.third / (peak * peak);
    channel.fifth = from.curve.fifth / std::pow(peak, 4);
    channel.crossover_v = from.crossover_v;
    channel.width_squared = from.crossover_width_v * from.crossover_width_v;
    channel.last_root = from.crossover_width_v;
    const double load_ohm = load_ohm_ * scenario.parts.load_scale[c];
    channel.loaded_ratio = load_ohm / (load_ohm + receiver.output_impedance_ohm);
    channel.conductance = 1 / scenario.parts.load_scale[c];
  }
  curve_.resize(group + 1);
  root_.resize(group + 1);
}

void ReceiverModel::open_load(std::size_t channel) {
  channels_.at(channel).loaded_ratio = 1;
  channels_.at(channel).conductance = 0;
}

void ReceiverModel::process(std::span<double> left, std::span<double> right) {
  for (std::size_t at = 0; at < left.size(); at += group_) {
    for (std::size_t c = 0; c < 2; ++c) gain_[c] += glide_ * (target_gain_[c] - gain_[c]);
    const std::span<double> l = left.subspan(at, group_);
    const std::span<double> r = right.subspan(at, group_);
    front_end(l, r);
    const double sum_v = output_stage(channels_[kLeft], l) + output_stage(channels_[kRight], r);
    // Each rail feeds one half of the swing, of both channels.
    const double drawn_a = sum_v / static_cast<double>(group_) / (2 * load_ohm_);
    half_smoothed_a_ += smoothing_ * (drawn_a - half_smoothed_a_);
    current_a_ += smoothing_ * (half_smoothed_a_ - current_a_);
  }
}

void ReceiverModel::front_end(std::span<double> left, std::span<double> right) {
  // Copies of the filters stay in registers; the six recursions overlap.
  Channel l = channels_[kLeft];
  Channel r = channels_[kRight];
  for (std::size_t n = 0; n < left.size(); ++n) {
    const double in_l = gain_[kLeft] * left[n];
    const double in_r = gain_[kRight] * right[n];
    const double from_r = crosstalk_gain_ * r.crosstalk.high_pass(in_r);
    const double from_l = crosstalk_gain_ * l.crosstalk.high_pass(in_l);
    left[n] = l.high_cut.low_pass(l.low_cut.high_pass(in_l + from_r));
    right[n] = r.high_cut.low_pass(r.low_cut.high_pass(in_r + from_l));
  }
  channels_[kLeft] = l;
  channels_[kRight] = r;
}

double ReceiverModel::output_stage(Channel& channel, std::span<double> samples) {
  for (double& sample : samples) {
    const double x = stage_gain_ * sample;
    const double x2 = x * x;
    sample = x + x2 * (channel.second + x * (channel.third + x2 * channel.fifth));
  }
  crossover(channel, samples);

  const double sag_v = supply_.resistance_ohm * current_a_;
  const double positive = supply_.positive_v - sag_v;
  const double negative = supply_.negative_v - sag_v;
  const double knee2 = supply_.knee_v * supply_.knee_v;
  const double half = is_powered_ ? channel.loaded_ratio / 2 : 0;
  const double middle = half * (positive - negative);
  // Two hyperbolas, one for each rail: smooth everywhere, straight far from the rails.
  for (double& sample : samples) {
    const double above = sample + negative;
    const double below = sample - positive;
    sample = half * (std::sqrt(above * above + knee2) - std::sqrt(below * below + knee2)) + middle;
  }
  double sum = 0;
  for (const double sample : samples) sum += std::abs(sample);
  return channel.conductance * sum;
}

void ReceiverModel::crossover(Channel& channel, std::span<double> samples) {
  const std::size_t count = samples.size();
  curve_[0] = channel.last_x;
  for (std::size_t n = 0; n < count; ++n) curve_[n + 1] = samples[n];
  channel.last_x = curve_[count];
  if (channel.crossover_v == 0) {
    std::copy(curve_.begin(), curve_.end() - 1, samples.begin());
    return;
  }
  root_[0] = channel.last_root;
  for (std::size_t n = 0; n < count; ++n) {
    root_[n + 1] = std::sqrt(samples[n] * samples[n] + channel.width_squared);
  }
  channel.last_root = root_[count];
  // The mean of x/sqrt(x^2+w^2) between two samples is the difference of the roots over that of the
  // samples, which is their sum over the sum of the roots. Centred on a sample by averaging the
  // intervals before and after it.
  for (std::size_t n = 0; n < count; ++n) {
    samples[n] = (curve_[n] + curve_[n + 1]) / (root_[n] + root_[n + 1]);
  }
  const double newest = samples[count - 1];
  for (std::size_t n = count - 1; n > 0; --n) {
    samples[n] = curve_[n] - channel.crossover_v / 2 * (samples[n] + samples[n - 1]);
  }
  samples[0] = curve_[0] - channel.crossover_v / 2 * (samples[0] + channel.last_mean);
  channel.last_mean = newest;
}

}  // namespace sinewright
