#include "dsp/plateau.h"

#include <algorithm>
#include <stdexcept>
#include <string>

#include "dsp/plateau_state.h"

namespace sinewright {

bool PlateauDetector::State::search(bool is_final) {
  const std::size_t shortest = even(kShortestHop_s * fs_.hz);
  const std::size_t longest = even(kLongestWindow_s * fs_.hz);
  const std::size_t left = left_from(position_);
  if (left < 64 || (left < shortest && !is_final)) return false;

  const std::size_t available = left - left % 2;
  for (std::size_t window = std::min(shortest, available);;) {
    std::vector<ShortSpectrum> spectra;
    std::size_t lead = 0;
    for (int c = 0; c < channels_; ++c) {
      spectra.push_back(short_spectrum(channel(c, position_, window), fs_));
      if (spectra.back().power > spectra[lead].power) lead = static_cast<std::size_t>(c);
    }
    const WindowVerdict verdict = judge_window(spectra[lead], settings_.hum_below_dbfs);
    if (verdict == WindowVerdict::kTone || verdict == WindowVerdict::kTwoTones) {
      start_tone(spectra, lead, verdict == WindowVerdict::kTwoTones, window);
      return true;
    }
    if (verdict == WindowVerdict::kNoise || window == longest) break;
    std::size_t larger = std::min(2 * window, longest);
    if (larger > available) {
      if (!is_final) return false;
      larger = available;
    }
    if (larger == window) break;
    window = larger;
  }
  start_noise();
  return true;
}

void PlateauDetector::State::deliver_to(std::int64_t frame) {
  if (frame <= delivered_) return;
  const double* from = buffer_.data() + (delivered_ - base_) * channels_;
  listener_.on_frames(delivered_,
                      {from, static_cast<std::size_t>((frame - delivered_) * channels_)});
  delivered_ = frame;
}

void PlateauDetector::State::end_plateau(std::int64_t end, std::int64_t search_from) {
  listener_.on_end(end);
  mode_ = Mode::kSearching;
  restless_from_ = end;
  position_ = std::max(end, search_from);
  is_announced_ = false;
}

void PlateauDetector::State::close_restless(std::int64_t until) {
  const double restless_s = static_cast<double>(until - restless_from_) / fs_.hz;
  if (restless_s > settings_.longest_transition_s) {
    listener_.on_begin({PlateauKind::kUnclassified, restless_from_, {}, {}});
    listener_.on_end(until);
  }
  restless_from_ = until;
}

PlateauDetector::PlateauDetector(SampleRate fs, int channels, const PlateauSettings& settings,
                                 PlateauListener& listener)
    : state_(std::make_unique<State>(fs, channels, settings, listener)) {
  if (channels < 1) throw std::invalid_argument("PlateauDetector: needs 1 channel or more");
  if (!(fs.hz >= 1000)) {
    throw std::invalid_argument("PlateauDetector: rate " + std::to_string(fs.hz) +
                                " Hz is below 1000");
  }
}

PlateauDetector::~PlateauDetector() = default;

void PlateauDetector::push(std::span<const double> frames) { state_->push(frames); }

void PlateauDetector::finish(std::int64_t lost) { state_->finish(lost); }

}  // namespace sinewright
