// Who stands at the bench: a person at the terminal, or the simulated bench's own hand.
#pragma once

#include <memory>
#include <string>

#include "measure/measurement.h"

namespace sinewright {

class SimulatedBench;

/// Asks on stderr and reads stdin.
class TerminalOperator final : public Operator {
 public:
  /// `way_out`: options that make the questions unnecessary, for the message below.
  explicit TerminalOperator(std::string way_out) : way_out_(std::move(way_out)) {}

  /// All throw Error (kRefused) when stdin is no terminal: nobody is there to answer.
  [[nodiscard]] bool confirms(const std::string& text) override;
  [[nodiscard]] bool is_done_turning(const std::string& text) override;
  [[nodiscard]] bool wires(Wiring wiring, const std::string& text) override;
  /// Takes "1.414", "1.414 V", "870 mV", "8.05 ohm"; asks again, with the reason, after anything
  /// else, also after a comma, which is a point to one and thousands to another.
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string& text,
                                                  const std::function<void()>& meanwhile) override;

 private:
  void check_presence() const;

  std::string way_out_;
};

/// Does on the simulated bench what it is asked to, and says so on stderr.
class SimulatedOperator final : public Operator {
 public:
  /// `bench` must outlive this object; so must what owns it.
  explicit SimulatedOperator(SimulatedBench& bench) : bench_(bench) {}

  /// Throws the switches that `text` begins with; consents to anything else.
  [[nodiscard]] bool confirms(const std::string& text) override;
  /// Turns the volume up a little each time until `text` begins with "enough".
  [[nodiscard]] bool is_done_turning(const std::string& text) override;
  /// Rewires the simulated bench.
  [[nodiscard]] bool wires(Wiring wiring, const std::string& text) override;
  /// Reads the simulated bench's meter.
  [[nodiscard]] std::optional<double> reads_meter(const MeterPoint& point, const std::string& text,
                                                  const std::function<void()>& meanwhile) override;

 private:
  SimulatedBench& bench_;
};

}  // namespace sinewright
