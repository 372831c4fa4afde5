// Progress of a measurement as a bar on the terminal.
#pragma once

#include <chrono>
#include <string>

#include "measure/measurement.h"

namespace sinewright {

/// A bar on stderr, on a terminal only; gone when it is destroyed or cleared.
class TerminalProgress final : public Progress {
 public:
  /// `is_shown` false: nothing is drawn even on a terminal.
  explicit TerminalProgress(bool is_shown = true);
  ~TerminalProgress() override { clear(); }
  TerminalProgress(const TerminalProgress&) = delete;
  TerminalProgress& operator=(const TerminalProgress&) = delete;

  void report(double fraction, const std::string& what) override;
  [[nodiscard]] bool is_cancelled() const override;

  /// Takes the bar off the screen before something else is printed.
  void clear();

 private:
  bool is_shown_;
  bool is_drawn_ = false;
  std::chrono::steady_clock::time_point drawn_;
};

/// The bar itself, `columns` wide or less: "[#####     ]  50 %  997 Hz".
[[nodiscard]] std::string progress_line(double fraction, const std::string& what, int columns);

/// `text` cut to `columns` characters, whole code points.
[[nodiscard]] std::string cut_to(const std::string& text, int columns);

}  // namespace sinewright
