#include "cli/terminal_progress.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "cli/console.h"

namespace sinewright {
namespace {

constexpr int kBarColumns = 30;
// Ten times a second is smooth enough; each drawing is a write to the terminal.
constexpr std::chrono::milliseconds kPause{100};

constexpr const char* kEraseLine = "\r\033[K";

}  // namespace

std::string cut_to(const std::string& text, int columns) {
  std::size_t end = 0;
  for (int count = 0; end < text.size(); ++end) {
    const bool is_start = (static_cast<unsigned char>(text[end]) & 0xC0U) != 0x80U;
    if (is_start && count++ == columns) break;
  }
  return text.substr(0, end);
}

std::string progress_line(double fraction, const std::string& what, int columns) {
  const double held = std::isfinite(fraction) ? std::clamp(fraction, 0.0, 1.0) : 0.0;
  const auto filled = static_cast<std::size_t>(std::lround(held * kBarColumns));
  const std::string bar = std::string(filled, '#') + std::string(kBarColumns - filled, ' ');
  return cut_to(fmt::format("[{}] {:3.0f} %  {}", bar, 100 * held, what), columns);
}

TerminalProgress::TerminalProgress(bool is_shown) : is_shown_(is_shown && is_error_terminal()) {}

void TerminalProgress::report(double fraction, const std::string& what) {
  if (!is_shown_) return;
  const auto now = std::chrono::steady_clock::now();
  if (is_drawn_ && now - drawn_ < kPause && fraction < 1) return;
  print_error(kEraseLine + progress_line(fraction, what, error_columns() - 1));
  is_drawn_ = true;
  drawn_ = now;
}

bool TerminalProgress::is_cancelled() const { return is_interrupted(); }

void TerminalProgress::clear() {
  if (!is_drawn_) return;
  print_error(kEraseLine);
  is_drawn_ = false;
}

}  // namespace sinewright
