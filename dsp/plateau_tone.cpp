// Following a tone from hop to hop: what holds, what breaks it, where it begins and ends.
#include <algorithm>
#include <cmath>
#include <complex>

#include "dsp/plateau_state.h"

namespace sinewright {
namespace {

using Complex = std::complex<double>;

// What an edge may add to the residual, relative to the tone; half a hop is then cut off, in which
// ramps and filters have gone on settling below it.
constexpr double kEdgeTolerance = 2e-4;
constexpr int kFewestHops = 2;
constexpr double kSoonest_s = 0.03;  // a pure tone is announced after this long
constexpr double kImpure_s = 1;      // any other after this long: notes of music do not hold so

double wrapped(double radians) { return std::remainder(radians, kTwoPi); }

}  // namespace

void PlateauDetector::State::start_tone(const std::vector<ShortSpectrum>& spectra, std::size_t lead,
                                        bool has_second, std::size_t window) {
  mode_ = Mode::kTone;
  lead_ = lead;
  begin_ = delivered_ = position_;
  is_announced_ = false;
  hops_ = 0;
  meters_.clear();
  tracks_.clear();

  std::vector<double> tones = {spectra[lead].frequency_hz};
  if (has_second) tones.push_back(spectra[lead].second_hz);
  double lowest_hz = *std::min_element(tones.begin(), tones.end());
  const double bin_hz = spectra[lead].frequency_hz / spectra[lead].bin;
  std::vector<std::size_t> own;
  for (std::size_t c = 0; c < spectra.size(); ++c) {
    if (c != lead && !has_second && has_own_tone(spectra[c], spectra[lead], bin_hz)) {
      own.push_back(c);
      lowest_hz = std::min(lowest_hz, spectra[c].frequency_hz);
    }
  }
  hop_ = even(std::max(kShortestHop_s, 4 / lowest_hz) * fs_.hz);
  // Four periods by an estimate a little low must not ask for more than the window had.
  if (hop_ > window && 0.95 * static_cast<double>(hop_) <= static_cast<double>(window))
    hop_ = window;
  meters_.emplace_back(fs_, hop_, tones);
  for (std::size_t c = 0; c < spectra.size(); ++c) {
    ToneTrack track;
    if (std::find(own.begin(), own.end(), c) != own.end()) {
      track.meter = meters_.size();
      meters_.emplace_back(fs_, hop_, std::vector<double>{spectra[c].frequency_hz});
    }
    tracks_.push_back(std::move(track));
  }
  start_followers();
}

void PlateauDetector::State::start_followers() {
  for (ToneTrack& track : tracks_) {
    std::vector<double> lost_frame_rad;
    for (const double hz : meters_[track.meter].frequencies_hz()) {
      lost_frame_rad.push_back(kTwoPi * hz / fs_.hz);
    }
    track.follower = ToneFollower(std::move(lost_frame_rad));
  }
}

std::vector<HopMeter::Reading> PlateauDetector::State::read_hop(std::int64_t start) {
  std::vector<HopMeter::Reading> hop;
  hop.reserve(tracks_.size());
  for (int c = 0; c < channels_; ++c) {
    hop.push_back(
        meters_[tracks_[static_cast<std::size_t>(c)].meter].read(channel(c, start, hop_), start));
  }
  return hop;
}

HopVerdict PlateauDetector::State::judge(const std::vector<HopMeter::Reading>& hop,
                                         int hops_ahead) const {
  HopVerdict worst = HopVerdict::kHolds;
  for (std::size_t c = 0; c < tracks_.size(); ++c) {
    const HopVerdict verdict = tracks_[c].follower.judge(hop[c], hop_, hops_ahead);
    if (static_cast<int>(verdict) > static_cast<int>(worst)) worst = verdict;
  }
  return worst;
}

void PlateauDetector::State::accept(const std::vector<HopMeter::Reading>& hop) {
  for (std::size_t c = 0; c < tracks_.size(); ++c) {
    // A channel without a tone of its own turns with the one that leads.
    const bool leads = c == lead_ || tracks_[c].meter != tracks_[lead_].meter;
    tracks_[c].follower.accept(hop[c], leads ? nullptr : &tracks_[lead_].follower);
  }
  ++hops_;
  position_ += static_cast<std::int64_t>(hop_);
}

bool PlateauDetector::State::follow_tone(bool is_final) {
  if (left_from(position_) < hop_) {
    if (is_final) finish_tone();
    return is_final;
  }
  const std::vector<HopMeter::Reading> hop = read_hop(position_);
  if (tracks_[lead_].follower.hops() > 0 && judge(hop, 1) != HopVerdict::kHolds)
    return resolve_anomaly(is_final);
  accept(hop);
  // The first hop after another state may hold the tail of that: it is not learnt from.
  if (hops_ == 1 && begin_ > input_from_) start_followers();
  const bool is_moving =
      tracks_[lead_].follower.is_moving(hop_, static_cast<double>(hop_) / fs_.hz);
  if (is_moving && is_announced_) {
    end_plateau(delivered_, position_);
    return true;
  }
  if (!is_announced_ && (is_moving || !is_plausible_tone())) {
    look_again();
    return true;
  }
  if (!is_announced_ && may_announce_tone()) announce_tone();
  // The edges of the last hop weigh little in its reading: they wait for the next one.
  if (is_announced_) {
    deliver_to(position_ - static_cast<std::int64_t>(hop_ + hop_ / 2 + hop_ / 4));
    if (hops_ == 16) sharpen_frequency();
  }
  return true;
}

// Something does not fit at the hop at position_: a transient, lost frames, or the end.
bool PlateauDetector::State::resolve_anomaly(bool is_final) {
  const auto hop_frames = static_cast<std::int64_t>(hop_);
  const std::size_t left = left_from(position_);
  if (left < 3 * hop_ && !is_final) return false;
  if (!is_announced_ && may_announce_tone()) announce_tone();
  if (!is_announced_) {
    look_again();
    return true;
  }
  if (left >= 2 * hop_) {
    const auto next = read_hop(position_ + hop_frames);
    const bool has_third = left >= 3 * hop_;
    const auto third = has_third ? read_hop(position_ + 2 * hop_frames) : next;
    const HopVerdict of_next = judge(next, 2);
    const HopVerdict of_third = has_third ? judge(third, 3) : of_next;
    const bool next_holds = of_next == HopVerdict::kHolds;
    if (next_holds || (has_third && of_third == HopVerdict::kHolds)) {
      const std::int64_t from = tone_edge(position_ - hop_frames / 2, position_ + hop_frames);
      const std::int64_t to = position_ + (next_holds ? 1 : 2) * hop_frames;
      deliver_to(from - hop_frames / 2);
      listener_.on_break({PlateauBreak::Kind::kTransient, delivered_, to, 0});
      const int skipped = next_holds ? 1 : 2;
      for (ToneTrack& track : tracks_) track.follower.skip(skipped);
      position_ = delivered_ = to;
      return true;
    }
    const ToneFollower& lead = tracks_[lead_].follower;
    if (has_third && of_next <= HopVerdict::kPhaseMoved && of_third <= HopVerdict::kPhaseMoved) {
      const double first_rad = lead.phase_error_rad(next[lead_], 2);
      const double second_rad = lead.phase_error_rad(third[lead_], 3);
      if (std::abs(wrapped(second_rad - first_rad)) < 0.05) {
        const std::int64_t from = tone_edge(position_ - hop_frames / 2, position_ + hop_frames);
        deliver_to(from - hop_frames / 2);
        const double tone_hz = meters_[tracks_[lead_].meter].frequencies_hz()[0];
        const double shifted = wrapped(first_rad) / kTwoPi / tone_hz * fs_.hz;
        const std::int64_t to = position_ + hop_frames;
        listener_.on_break({PlateauBreak::Kind::kDiscontinuity, delivered_, to, shifted});
        for (std::size_t c = 0; c < tracks_.size(); ++c) tracks_[c].follower.restart_at(next[c]);
        position_ = to + hop_frames;
        delivered_ = to;
        return true;
      }
    }
  }
  const std::int64_t end = tone_edge(position_ - hop_frames / 2, position_ + hop_frames);
  deliver_to(end - hop_frames / 2);
  end_plateau(delivered_, end);
  return true;
}

// The largest residual of channel `c` in the hop at `start`, with the tone as the hop shows it.
double PlateauDetector::State::reference_residual(int c, std::int64_t start) {
  const auto i = static_cast<std::size_t>(c);
  const std::span<const double> x = channel(c, start, hop_);
  double mean = 0;
  for (const double value : x) mean += value;
  reference_offset_[i] = mean / static_cast<double>(x.size());
  const HopMeter& meter = meters_[tracks_[i].meter];
  reference_phasors_[i] = meter.read(x, start).phasors;
  return meter.largest_residual(x, start, reference_phasors_[i], reference_offset_[i]);
}

// Whether `count` frames from `start` on still look like the reference hop.
bool PlateauDetector::State::slice_holds(std::int64_t start, std::size_t count) {
  for (int c = 0; c < channels_; ++c) {
    const auto i = static_cast<std::size_t>(c);
    const HopMeter& meter = meters_[tracks_[i].meter];
    const double largest = meter.largest_residual(channel(c, start, count), start,
                                                  reference_phasors_[i], reference_offset_[i]);
    double amplitude = 0;
    for (const Complex& phasor : reference_phasors_[i]) amplitude += std::abs(phasor);
    if (largest > 1.5 * reference_residual_[i] + kEdgeTolerance * amplitude) return false;
  }
  return true;
}

// It never settled: search on a little later.
void PlateauDetector::State::look_again() {
  mode_ = Mode::kSearching;
  position_ = begin_ + std::max<std::int64_t>(static_cast<std::int64_t>(hop_ / 4), 16);
}

// What the search took for a tone may have been the tail of the one before.
bool PlateauDetector::State::is_plausible_tone() const {
  const ToneFollower& lead = tracks_[lead_].follower;
  if (lead.hops() < kFewestHops) return true;
  const bool is_pair = meters_[tracks_[lead_].meter].frequencies_hz().size() == 2;
  if (is_pair) return lead.residual_share() < 0.1 && lead.weakest_share() > 0.02;
  return lead.residual_share() < 1.5;
}

bool PlateauDetector::State::is_pure_tone() const {
  return tracks_[lead_].follower.residual_share() < 0.1;
}

bool PlateauDetector::State::may_announce_tone() const {
  const int hops = tracks_[lead_].follower.hops();
  const double held_s = static_cast<double>(hops) * static_cast<double>(hop_) / fs_.hz;
  return hops >= kFewestHops && held_s >= (is_pure_tone() ? kSoonest_s : kImpure_s);
}

void PlateauDetector::State::announce_tone() {
  const auto hop_frames = static_cast<std::int64_t>(hop_);
  sharpen_frequency();
  reference_residual_.assign(static_cast<std::size_t>(channels_), 0);
  reference_offset_.assign(static_cast<std::size_t>(channels_), 0);
  reference_phasors_.assign(static_cast<std::size_t>(channels_), {});
  const std::int64_t inside = position_ - hop_frames * (hops_ > 2 ? 2 : 1);
  for (int c = 0; c < channels_; ++c) {
    reference_residual_[static_cast<std::size_t>(c)] = reference_residual(c, inside);
  }
  // Backwards from the first hop, then forwards, in eighths.
  const std::size_t slice = std::max<std::size_t>(hop_ / 8, 4);
  const auto slice_frames = static_cast<std::int64_t>(slice);
  const std::int64_t searched_from = std::max(restless_from_, base_);
  const std::int64_t examined_from = begin_;
  while (begin_ - slice_frames >= searched_from && slice_holds(begin_ - slice_frames, slice)) {
    begin_ -= slice_frames;
  }
  if (begin_ == examined_from) {
    while (begin_ + slice_frames <= inside && !slice_holds(begin_, slice)) begin_ += slice_frames;
  }
  // What comes after silence or another level has still to settle below what the residual shows.
  if (begin_ - slice_frames < input_from_ && restless_from_ == input_from_) {
    begin_ = input_from_;
  } else {
    begin_ += hop_frames / 2;
  }
  close_restless(begin_);
  delivered_ = begin_;
  is_announced_ = true;

  const HopMeter& meter = meters_[tracks_[lead_].meter];
  PlateauStart start{PlateauKind::kTone, begin_, {}, {}};
  for (const ToneTrack& track : tracks_) {
    start.frequency_hz.push_back(meters_[track.meter].frequencies_hz()[0]);
  }
  if (meter.frequencies_hz().size() == 2) {
    start.kind = PlateauKind::kTwoTones;
    start.second_hz.assign(tracks_.size(), meter.frequencies_hz()[1]);
  }
  listener_.on_begin(start);
}

// Moves the meters to the frequency that the phases have shown so far.
void PlateauDetector::State::sharpen_frequency() {
  const std::int64_t last = position_ - static_cast<std::int64_t>(hop_);
  for (std::size_t m = 0; m < meters_.size(); ++m) {
    std::size_t leader = lead_;
    for (std::size_t c = 0; c < tracks_.size() && tracks_[leader].meter != m; ++c) leader = c;
    std::vector<double> sharpened = meters_[m].frequencies_hz();
    for (std::size_t t = 0; t < sharpened.size(); ++t) {
      sharpened[t] +=
          tracks_[leader].follower.turn_rad(t) / kTwoPi * fs_.hz / static_cast<double>(hop_);
      sharpened[t] = std::clamp(sharpened[t], 1e-3, 0.4999 * fs_.hz);
    }
    meters_[m] = HopMeter(fs_, hop_, sharpened);
  }
  const auto hop = read_hop(last);
  for (std::size_t c = 0; c < tracks_.size(); ++c) tracks_[c].follower.rebase(hop[c]);
}

// The tone as the hop before `frame` shows it is the measure of what follows.
void PlateauDetector::State::refer_to_hop_before(std::int64_t frame) {
  const std::int64_t before = std::max(frame - static_cast<std::int64_t>(hop_), base_);
  for (int c = 0; c < channels_; ++c) {
    reference_residual_[static_cast<std::size_t>(c)] = reference_residual(c, before);
  }
}

// The frame up to which the tone holds, between `from` (where it does) and `to`.
std::int64_t PlateauDetector::State::tone_edge(std::int64_t from, std::int64_t to) {
  refer_to_hop_before(from);
  const std::size_t slice = std::max<std::size_t>(hop_ / 8, 4);
  const auto slice_frames = static_cast<std::int64_t>(slice);
  std::int64_t edge = from;
  while (edge + slice_frames <= to && edge + slice_frames <= end_of_input() &&
         slice_holds(edge, slice)) {
    edge += slice_frames;
  }
  return edge;
}

// The input ends within a tone: take the frames after the last whole hop as far as they fit.
void PlateauDetector::State::finish_tone() {
  // A record of its own may be as short as one hop; the rest of another one is not a tone yet.
  if (!is_announced_ && is_plausible_tone() &&
      (may_announce_tone() || (hops_ > 0 && begin_ == input_from_))) {
    announce_tone();
  }
  if (!is_announced_) {
    mode_ = Mode::kSearching;
    position_ = end_of_input();
    return;
  }
  const std::size_t slice = std::max<std::size_t>(hop_ / 8, 4);
  const std::int64_t end = end_of_input();
  std::int64_t edge = std::max(position_ - static_cast<std::int64_t>(hop_ / 2), delivered_);
  refer_to_hop_before(edge);
  while (edge < end) {
    const std::size_t count = std::min(slice, static_cast<std::size_t>(end - edge));
    if (!slice_holds(edge, count)) {
      edge = std::max(edge - static_cast<std::int64_t>(hop_ / 2), delivered_);
      break;
    }
    edge += static_cast<std::int64_t>(count);
  }
  deliver_to(edge);
  end_plateau(edge, edge);
  if (left_from(edge) < hop_) position_ = restless_from_ = end;
}

}  // namespace sinewright
