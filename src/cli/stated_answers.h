// Answers given as options take the place of the questions.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "measure/measurement.h"

namespace sinewright {

/// What was stated beforehand.
struct Answers {
  std::optional<double> left;  ///< what the meter reads in the left channel, volts or ohm
  std::optional<double> right;
  std::optional<double> leads;  ///< ohm
  bool is_confirmed = false;    ///< wired as the step asks, checklist gone through, volume set
};

/// Answers what was stated and leaves the rest to `inner`.
class StatedAnswers final : public Operator {
 public:
  /// `can_ask`: somebody is there to be asked. `rewires`: wiring is always left to `inner`, which
  /// does it by itself (the simulated bench).
  StatedAnswers(std::unique_ptr<Operator> inner, const Answers& answers, bool can_ask, bool rewires)
      : inner_(std::move(inner)), answers_(answers), can_ask_(can_ask), rewires_(rewires) {}

  [[nodiscard]] bool confirms(const std::string& text) override;
  [[nodiscard]] bool is_done_turning(const std::string& text) override;
  /// A statement covers the first wiring of a step; with nobody there any other is declined.
  [[nodiscard]] bool wires(Wiring wiring, const std::string& text) override;
  /// A channel that was not stated while the other was is skipped when nobody is there.
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string& text,
                                                  const std::function<void()>& meanwhile) override;

 private:
  [[nodiscard]] std::optional<double> stated(const MeterPoint& point) const;

  std::unique_ptr<Operator> inner_;
  Answers answers_;
  bool can_ask_;
  bool rewires_;
  std::optional<Wiring> wired_;
};

}  // namespace sinewright
