#include "cli/stated_answers.h"

namespace sinewright {

bool StatedAnswers::confirms(const std::string& text) {
  return answers_.is_confirmed || inner_->confirms(text);
}

bool StatedAnswers::is_done_turning(const std::string& text) {
  if (answers_.is_confirmed && !can_ask_) return true;
  return inner_->is_done_turning(text);
}

bool StatedAnswers::wires(Wiring wiring, const std::string& text) {
  const bool is_first = !wired_;
  if (is_first) wired_ = wiring;
  if (!rewires_ && answers_.is_confirmed) {
    if (is_first || wired_ == wiring) return true;
    if (!can_ask_) return false;
  }
  return inner_->wires(wiring, text);
}

std::optional<double> StatedAnswers::stated(const MeterPoint& point) const {
  if (point.place == MeterPoint::Place::kLeads) return answers_.leads;
  return point.channel == 0 ? answers_.left : answers_.right;
}

std::optional<double> StatedAnswers::reads_meter(const MeterPoint& point, const std::string& text,
                                                 const std::function<void()>& meanwhile) {
  if (const std::optional<double> reading = stated(point)) {
    meanwhile();
    return reading;
  }
  const bool is_channel = point.place != MeterPoint::Place::kLeads;
  if (is_channel && !can_ask_ && (answers_.left || answers_.right)) return std::nullopt;
  return inner_->reads_meter(point, text, meanwhile);
}

}  // namespace sinewright
