// What a person does at the simulated bench: knobs, wires, meter, faults on purpose.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "device/simulated_bench.h"

namespace sinewright {
namespace {

double shown(double truth, double gain, double resolution) {
  const double reading = truth * gain;
  return resolution > 0 ? std::round(reading / resolution) * resolution : reading;
}

}  // namespace

void SimulatedBench::set_volume_db(double position_db) {
  if (!(position_db >= -120 && position_db <= 0)) {
    throw std::invalid_argument(fmt::format("position_db must be -120 to 0, is {}", position_db));
  }
  volume_db_ = position_db;
  update_volume(true);
}

void SimulatedBench::update_volume(bool is_glide) {
  const std::array<double, 2> gain = {scenario_.volume_gain(volume_db_, kLeft),
                                      scenario_.volume_gain(volume_db_, kRight)};
  if (is_glide) {
    receiver_.set_volume_gain(gain);
  } else {
    receiver_.jump_to_volume_gain(gain);
  }
}

void SimulatedBench::set_range(const std::string& name) {
  range_ = static_cast<std::size_t>(&scenario_.range(name) - scenario_.ranges.data());
  update_scales();
}

void SimulatedBench::set_wiring(Wiring wiring) {
  wiring_ = wiring;
  for (Side& side : sides_) side.at_terminals.clear();
  update_scales();
}

void SimulatedBench::update_scales() {
  const bool has_divider = wiring_ == Wiring::kUnit || wiring_ == Wiring::kDividerTop;
  for (std::size_t c = 0; c < 2; ++c) {
    const double ratio =
        has_divider ? scenario_.ranges[range_].ratio * scenario_.parts.ratio(range_)[c] : 1;
    const double full_scale_vrms =
        scenario_.sound_card.input_full_scale_vrms * scenario_.parts.input_scale[c];
    const bool is_open = wiring_ == Wiring::kTerminated;
    sides_[c].samples_per_v = is_open ? 0 : 1 / (ratio * full_scale_vrms * std::numbers::sqrt2);
  }
}

void SimulatedBench::set_powered(bool is_powered) {
  is_powered_ = is_powered;
  receiver_.set_powered(is_powered);
}

void SimulatedBench::check_ahead(std::int64_t frame, std::size_t channel) const {
  if (frame < frames_read_) {
    throw std::invalid_argument(
        fmt::format("frame must lie ahead of {}, is {}", frames_read_, frame));
  }
  if (channel > kRight)
    throw std::invalid_argument(fmt::format("channel must be 0 or 1, is {}", channel));
}

void SimulatedBench::lose_frames(std::int64_t frame, std::int64_t count) {
  check_ahead(frame, kLeft);
  if (count < 1) throw std::invalid_argument(fmt::format("count must be 1 or more, is {}", count));
  losses_.push_back({frame, count});
}

void SimulatedBench::step_gain(std::int64_t frame, std::size_t channel, double step_db) {
  check_ahead(frame, channel);
  faults_.push_back({frame, channel, amplitude_ratio_of_db(step_db)});
}

void SimulatedBench::kill_channel(std::int64_t frame, std::size_t channel) {
  check_ahead(frame, channel);
  faults_.push_back({frame, channel, 0});
}

void SimulatedBench::open_load(std::int64_t frame, std::size_t channel) {
  check_ahead(frame, channel);
  faults_.push_back({frame, channel, 1, true});
}

void SimulatedBench::stall(std::int64_t frame) {
  check_ahead(frame, kLeft);
  stalls_at_ = std::min(frame, stalls_at_.value_or(frame));
}

double SimulatedBench::meter_truth(const MeterPoint& point) const {
  if (point.channel > kRight) {
    throw std::invalid_argument(fmt::format("channel must be 0 or 1, is {}", point.channel));
  }
  const Side& side = sides_[point.channel];
  const bool has_unit = wiring_ == Wiring::kUnit;
  switch (point.place) {
    case MeterPoint::Place::kDividerTop:
      if (has_unit) return side.at_terminals.vrms();
      return wiring_ == Wiring::kDividerTop ? side.at_output.vrms() : 0;
    case MeterPoint::Place::kTerminals:
      return has_unit ? side.at_terminals.vrms() : 0;
    case MeterPoint::Place::kOutput:
      return side.at_output.vrms();
    case MeterPoint::Place::kLoad:
      return scenario_.load_ohm * scenario_.parts.load_scale[point.channel];
    case MeterPoint::Place::kLeads:
      break;
  }
  return scenario_.parts.lead_ohm;
}

double SimulatedBench::meter_reading(const MeterPoint& point) const {
  const BenchParts& parts = scenario_.parts;
  const double truth = meter_truth(point);
  switch (point.place) {
    case MeterPoint::Place::kLoad:
      return shown(truth + parts.lead_ohm, parts.ohmmeter_gain, parts.ohm_resolution);
    case MeterPoint::Place::kLeads:
      return shown(truth, parts.ohmmeter_gain, parts.ohm_resolution);
    default:
      return shown(truth, parts.voltmeter_gain, parts.volt_resolution);
  }
}

}  // namespace sinewright
