// Keeps the remarks of sound drivers off the terminal while they start and stop.
#pragma once

namespace sinewright {

/// While it lives, what the process writes to its standard error goes nowhere. For moments only, as
/// it silences every thread: ALSA and JACK print a page of remarks when they look for devices. Does
/// nothing where the system has no file descriptors.
class QuietStderr {
 public:
  QuietStderr();
  ~QuietStderr();
  QuietStderr(const QuietStderr&) = delete;
  QuietStderr& operator=(const QuietStderr&) = delete;

 private:
  int kept_ = -1;
};

}  // namespace sinewright
