// The terminal: what it can show, and the keys and signals that end a run. All that belongs to one
// operating system stands in console.cpp.
#pragma once

#include <string>

#include "report/text_table.h"

namespace sinewright {

/// From now on Ctrl-C, Ctrl-\, SIGTERM and a closed terminal only set a flag, so that the output
/// ramps down and finished points are kept; a second Ctrl-C adds nothing. A closed pipe becomes a
/// write error.
void install_signal_handlers();

/// True once the operator has asked to stop.
[[nodiscard]] bool is_interrupted();

[[nodiscard]] bool is_input_terminal();
[[nodiscard]] bool is_output_terminal();
[[nodiscard]] bool is_error_terminal();

/// How text on stdout is set: the terminal's width, colour on a terminal unless NO_COLOR is set.
[[nodiscard]] TextStyle output_style();

/// Columns of the terminal behind stderr, 80 where it does not tell.
[[nodiscard]] int error_columns();

/// Writes to stdout at once. Throws Error (kFailure) when that is closed or full.
void print(const std::string& text);

/// The same check for what others have written to std::cout.
void flush_output();

/// Writes to stderr; what fails there cannot be told.
void print_error(const std::string& text);

/// One line from stdin, waiting for it; false at its end or once interrupted.
[[nodiscard]] bool read_line(std::string& line);

/// Drops what was typed before it was asked for; does nothing where stdin is no terminal.
void drop_typed_ahead();

/// True when a line, or the end of stdin, waits to be read.
[[nodiscard]] bool is_line_waiting();

}  // namespace sinewright
