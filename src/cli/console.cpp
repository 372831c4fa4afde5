#include "cli/console.h"

#include <fmt/format.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <iostream>

#include "findings/error.h"

namespace sinewright {
namespace {

constexpr int kLeastColumns = 40;
constexpr int kMostColumns = 140;  // longer lines are hard to follow
constexpr int kPollPause_ms = 200;

// Signals reach the process, not an object: the one thing here that has to be global.
std::atomic<bool> interrupted{false};
static_assert(std::atomic<bool>::is_always_lock_free, "set from a signal handler");

extern "C" void note_interrupt(int /*signal*/) { interrupted.store(true); }

int columns_of(int file, int otherwise) {
  winsize size{};
  if (ioctl(file, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) return otherwise;
  return std::max(kLeastColumns, static_cast<int>(size.ws_col));
}

bool is_terminal(int file) { return isatty(file) == 1; }

// Waits for stdin up to `pause_ms`; true when reading would not block.
bool is_readable(int pause_ms) {
  pollfd descriptor{STDIN_FILENO, POLLIN, 0};
  return poll(&descriptor, 1, pause_ms) > 0;
}

}  // namespace

void install_signal_handlers() {
  struct sigaction action {};
  action.sa_handler = note_interrupt;
  sigemptyset(&action.sa_mask);
  for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT}) sigaction(signal, &action, nullptr);
  action.sa_handler = SIG_IGN;
  sigaction(SIGPIPE, &action, nullptr);
}

bool is_interrupted() { return interrupted.load(); }

bool is_input_terminal() { return is_terminal(STDIN_FILENO); }
bool is_output_terminal() { return is_terminal(STDOUT_FILENO); }
bool is_error_terminal() { return is_terminal(STDERR_FILENO); }

TextStyle output_style() {
  TextStyle style;
  if (!is_output_terminal()) return style;
  const char* no_colour = std::getenv("NO_COLOR");
  style.has_colour = no_colour == nullptr || *no_colour == '\0';
  style.width = std::min(kMostColumns, columns_of(STDOUT_FILENO, style.width));
  return style;
}

int error_columns() { return columns_of(STDERR_FILENO, 80); }

void flush_output() { print({}); }

void print(const std::string& text) {
  errno = 0;
  std::cout << text << std::flush;
  if (std::cout) return;
  const int cause = errno;
  if (cause == EPIPE) throw Error(ExitCode::kFailure, "output closed before all was written");
  throw Error(ExitCode::kFailure,
              fmt::format("output cannot be written: {}",
                          cause != 0 ? std::strerror(cause) : "closed or no room left"));
}

void print_error(const std::string& text) { std::cerr << text << std::flush; }

bool is_line_waiting() { return is_readable(0); }

void drop_typed_ahead() {
  if (is_input_terminal()) static_cast<void>(tcflush(STDIN_FILENO, TCIFLUSH));
}

bool read_line(std::string& line) {
  line.clear();
  while (!is_interrupted()) {
    if (!is_readable(kPollPause_ms)) continue;
    char character = 0;
    const ssize_t count = read(STDIN_FILENO, &character, 1);
    if (count < 0 && errno == EINTR) continue;
    if (count <= 0) return !line.empty();
    if (character == '\n') return true;
    line += character;
  }
  return false;
}

}  // namespace sinewright
