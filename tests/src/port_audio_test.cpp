// The sound card: what needs no device, and loops through a JACK or PulseAudio server that
// scripts/with-jack and scripts/with-pulse start.
#include "device/port_audio.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <string>
#include <thread>

#include "dsp/units.h"
#include "findings/error.h"
#include "within.h"

namespace sinewright {
namespace {

bool host_is(const std::string& wanted) {
  const char* host = std::getenv("SINEWRIGHT_TEST_HOST");
  return host != nullptr && host == wanted;
}

/// 1000 Hz at 48000 Hz of amplitude 0.5, half that on the second channel.
class Sine final : public Signal {
 public:
  void fill(std::span<double> frames, int channels) override {
    for (std::size_t i = 0; i < frames.size(); i += channels, ++n_) {
      const double value = 0.5 * std::sin(kTwoPi * static_cast<double>(n_ % 48) / 48);
      for (int channel = 0; channel < channels; ++channel)
        frames[i + channel] = value / (1 + channel);
    }
  }

 private:
  std::int64_t n_ = 0;
};

/// Each frame tells its number: the n-th, from 1 on, is n / 2^23, exact in single precision.
class Counter final : public Signal {
 public:
  void fill(std::span<double> frames, int channels) override {
    for (std::size_t i = 0; i < frames.size(); i += channels) {
      ++n_;
      for (int channel = 0; channel < channels; ++channel) frames[i + channel] = n_ * 0x1p-23;
    }
  }

 private:
  int n_ = 0;
};

class Constant final : public Signal {
 public:
  void fill(std::span<double> frames, int) override {
    std::fill(frames.begin(), frames.end(), 0.5);
  }
};

StreamRequest request_for(std::optional<std::string> input, std::optional<std::string> output) {
  StreamRequest request;
  request.input = std::move(input);
  request.output = std::move(output);
  return request;
}

std::string complaint(const StreamRequest& request) {
  try {
    return "opened " + open_stream(request)->name();
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kDevice);
    CHECK(std::string(error.what()).find('\n') == std::string::npos);
    return error.what();
  }
}

struct SineFound {
  double amplitude;
  double residual_db;  ///< RMS of the rest, relative to that of the sine
};

/// The sine of 1000 Hz in one channel of a whole number of periods at 48000 Hz.
SineFound find_sine(std::span<const double> samples, int channel) {
  const std::size_t frames = samples.size() / 2;
  double c = 0, s = 0, mean = 0;
  for (std::size_t n = 0; n < frames; ++n) {
    const double angle = kTwoPi * static_cast<double>(n % 48) / 48;
    const double x = samples[2 * n + channel];
    c += x * std::cos(angle) * 2 / static_cast<double>(frames);
    s += x * std::sin(angle) * 2 / static_cast<double>(frames);
    mean += x / static_cast<double>(frames);
  }
  double rest = 0;
  for (std::size_t n = 0; n < frames; ++n) {
    const double angle = kTwoPi * static_cast<double>(n % 48) / 48;
    const double error =
        samples[2 * n + channel] - mean - c * std::cos(angle) - s * std::sin(angle);
    rest += error * error / static_cast<double>(frames);
  }
  const double amplitude = std::hypot(c, s);
  return {amplitude, db_of_amplitude_ratio(std::sqrt(2 * rest) / amplitude)};
}

/// Reads `frames` frames and returns them with the position of the first.
class Reader {
 public:
  explicit Reader(Stream& stream) : stream_(stream) {}

  std::vector<double> read(std::size_t frames) {
    std::vector<double> samples(frames * stream_.channels());
    first_ = position_;
    const std::size_t came = stream_.read(samples);
    position_ += static_cast<std::int64_t>(came);
    samples.resize(came * stream_.channels());
    return samples;
  }

  /// True when a gap lies inside what was read last.
  [[nodiscard]] bool has_gap() const {
    const auto gaps = stream_.gaps();
    return std::any_of(gaps.begin(), gaps.end(),
                       [this](std::int64_t gap) { return gap > first_ && gap < position_; });
  }

  [[nodiscard]] std::int64_t first() const { return first_; }

 private:
  Stream& stream_;
  std::int64_t first_ = 0;
  std::int64_t position_ = 0;
};

/// Plays a sine and reads 2 s of it without a gap, at the third attempt at the latest.
void check_sine_comes_back(const StreamRequest& request) {
  const auto stream = open_stream(request);
  CHECK(stream->sample_rate().hz == 48000);
  Reader reader(*stream);
  stream->play(std::make_shared<Sine>());
  reader.read(48000);
  std::vector<double> samples;
  for (int attempt = 0; attempt < 3 && (samples.empty() || reader.has_gap()); ++attempt) {
    samples = reader.read(96000);
  }
  REQUIRE_FALSE(reader.has_gap());
  REQUIRE(samples.size() == 2 * 96000);
  for (int channel = 0; channel < 2; ++channel) {
    CAPTURE(channel);
    const SineFound found = find_sine(samples, channel);
    // Single precision: rounding of relative 2^-25 RMS or so, -153 dB; 0.5 is exact to 1e-8.
    CHECK(within(found.amplitude, 0.5 / (1 + channel), 1e-7));
    CHECK(found.residual_db < -120);
  }
}

void send_signal_to_server(const char* variable, int number) {
#if defined(__unix__) || defined(__APPLE__)
  const char* process = std::getenv(variable);
  REQUIRE(process != nullptr);
  REQUIRE(kill(std::atoi(process), number) == 0);
#endif
}

/// A server that halts: read() hands over what came, then gives up, and the stream still closes.
void check_server_may_halt(const StreamRequest& request, const char* server_variable) {
  const auto stream = open_stream(request);
  Reader reader(*stream);
  stream->play(std::make_shared<Sine>());
  CHECK(reader.read(24000).size() == 48000);
#if defined(__unix__) || defined(__APPLE__)
  send_signal_to_server(server_variable, SIGSTOP);
#endif
  std::string text;
  try {
    for (int i = 0; i < 10; ++i) reader.read(48000);
  } catch (const Error& error) {
    CHECK(error.code() == ExitCode::kDevice);
    text = error.what();
  }
  CHECK(text.find("stopped delivering") != std::string::npos);
}

const char* const kJackPid = "SINEWRIGHT_JACK_PID";
const char* const kPulsePid = "SINEWRIGHT_PULSE_PID";

}  // namespace

TEST_CASE("a device that does not exist is refused, whatever there is") {
  const std::string text = complaint(request_for("no card has this name", std::nullopt));
  const bool names_it =
      text.starts_with("no input device 'no card has this name'; choose one of: ");
  const bool says_none = text.starts_with("no input device found; ");
  CHECK((names_it || says_none));
  CHECK_THROWS_AS(static_cast<void>(find_device("no card has this name", Direction::kOutput)),
                  Error);
}

TEST_CASE("requests out of bounds are the caller's error") {
  CHECK_THROWS_AS(static_cast<void>(open_stream(request_for(std::nullopt, std::nullopt))),
                  std::invalid_argument);
  StreamRequest request = request_for("x", "x");
  request.latency_s = 2;
  CHECK_THROWS_AS(static_cast<void>(open_stream(request)), std::invalid_argument);
  request.latency_s = 0.1;
  request.sample_rate_hz = std::nan("");
  CHECK_THROWS_AS(static_cast<void>(open_stream(request)), std::invalid_argument);
  request.sample_rate_hz = 48000;
  request.input_channels = 0;
  CHECK_THROWS_AS(static_cast<void>(open_stream(request)), std::invalid_argument);
}

TEST_CASE("jack: devices are listed with the server's rate" * doctest::skip(!host_is("jack"))) {
  const auto devices = list_devices();
  const DeviceInfo loopback = find_device(devices, "loopback", Direction::kInput);
  CHECK(loopback.full_name() == "JACK Audio Connection Kit: loopback");
  CHECK(loopback.max_inputs == 2);
  CHECK(loopback.max_outputs == 2);
  CHECK(loopback.default_rate_hz == 48000);
  CHECK(loopback.rates_hz == std::vector{48000.0});
  CHECK_FALSE(loopback.is_exclusive);
}

TEST_CASE("jack: what the device does not offer is refused" * doctest::skip(!host_is("jack"))) {
  StreamRequest request = request_for("loopback", "loopback");
  request.sample_rate_hz = 44100;
  CHECK(complaint(request) ==
        "device 'JACK Audio Connection Kit: loopback': does not offer 44100 Hz; "
        "choose one of: 48000 Hz");
  request.sample_rate_hz = 48000;
  request.output_channels = 5;
  CHECK(complaint(request) ==
        "device 'JACK Audio Connection Kit: loopback': offers 2 output "
        "channel(s), 5 wanted; ask for fewer");
}

TEST_CASE("jack: a sine comes back unharmed" * doctest::skip(!host_is("jack"))) {
  check_sine_comes_back(request_for("loopback", "loopback"));
}

TEST_CASE("jack: the delay holds still, also over a pause of the reader" *
          doctest::skip(!host_is("jack"))) {
  const auto stream = open_stream(request_for("loopback", "loopback"));
  Reader reader(*stream);
  const std::int64_t start = stream->frames_played();
  stream->play(std::make_shared<Counter>());
  // Frames that came back, by the delay at which they did; a hole is silence.
  std::int64_t delay = 0;
  int silent = 0, moved = 0, right = 0;
  const auto sort = [&](const std::vector<double>& samples) {
    for (std::size_t n = 0; n < samples.size() / 2; ++n) {
      const auto number = static_cast<std::int64_t>(samples[2 * n] * 0x1p23);
      const std::int64_t now = reader.first() + static_cast<std::int64_t>(n) - (start + number - 1);
      if (number > 0 && delay == 0) delay = now;
      if (number == 0) ++silent;
      if (number > 0) ++(now == delay ? right : moved);
    }
  };
  sort(reader.read(24000));
  const int silent_before = silent;
  CHECK(delay >= 1024);  // the loop is one period of the server long
  std::this_thread::sleep_for(std::chrono::milliseconds(800));
  sort(reader.read(96000));
  CHECK(moved == 0);
  CHECK(right > 48000);
  CHECK(silent > silent_before);
  CHECK(reader.has_gap());
}

TEST_CASE("jack: only an input, only an output, two devices" * doctest::skip(!host_is("jack"))) {
  {
    const auto stream = open_stream(request_for("loopback", std::nullopt));
    CHECK(stream->output_channels() == 0);
    CHECK(stream->frames_played() == 0);
    CHECK_THROWS_AS(stream->play(std::make_shared<Sine>()), std::invalid_argument);
    CHECK(Reader(*stream).read(9600).size() == 2 * 9600);
  }
  {
    const auto stream = open_stream(request_for(std::nullopt, "loopback"));
    stream->play(std::make_shared<Sine>());
    const auto samples = Reader(*stream).read(9600);
    CHECK(samples == std::vector<double>(2 * 9600));
    CHECK(stream->frames_played() >= 9600);
  }
  const auto stream = open_stream(request_for("system", "loopback"));
  CHECK(stream->name() ==
        "JACK Audio Connection Kit: loopback to JACK Audio Connection Kit: system");
  CHECK(Reader(*stream).read(9600).size() == 2 * 9600);
}

TEST_CASE("jack: a stream that ends while it plays fades out" * doctest::skip(!host_is("jack"))) {
  const auto listener = open_stream(request_for("loopback", std::nullopt));
  Reader reader(*listener);
  {
    const auto stream = open_stream(request_for(std::nullopt, "loopback"));
    stream->play(std::make_shared<Constant>());
    Reader(*stream).read(24000);
  }
  const auto samples = reader.read(48000);
  REQUIRE_FALSE(reader.has_gap());
  const auto is_loud = [](double sample) { return sample == 0.5; };
  const auto last = std::find_if(samples.rbegin(), samples.rend(), is_loud).base();
  REQUIRE(last != samples.begin());
  REQUIRE(samples.end() - last > 2 * 960);
  // The steepest step of a raised cosine of 960 frames; a hard end is a step of 0.5.
  double steepest = 0;
  for (auto sample = last; sample + 2 < samples.end(); ++sample) {
    steepest = std::max(steepest, std::abs(sample[2] - sample[0]));
  }
  CHECK(steepest < 0.5 * std::acos(-1.0) / 2 / 960 * 1.01);
  CHECK(samples.back() == 0);
}

TEST_CASE("jack: a server that halts is an error, not a hang" * doctest::skip(!host_is("jack"))) {
  check_server_may_halt(request_for("loopback", "loopback"), kJackPid);
}

TEST_CASE("pulse: a sine comes back unharmed, on one stream" * doctest::skip(!host_is("pulse"))) {
  check_sine_comes_back(request_for("ALSA: bench", "ALSA: bench"));
}

TEST_CASE("pulse: a sine comes back unharmed, on two streams" * doctest::skip(!host_is("pulse"))) {
  check_sine_comes_back(request_for("ALSA: pulse", "ALSA: bench"));
}

TEST_CASE("pulse: what the driver reports while it starts are gaps" *
          doctest::skip(!host_is("pulse"))) {
  const auto stream = open_stream(request_for("bench", "bench"));
  Reader reader(*stream);
  CHECK(reader.read(48000).size() == 96000);
  CHECK_FALSE(stream->gaps().empty());
  CHECK(std::is_sorted(stream->gaps().begin(), stream->gaps().end()));
}

TEST_CASE("pulse: a server that halts is an error, not a hang" * doctest::skip(!host_is("pulse"))) {
  check_server_may_halt(request_for("bench", "bench"), kPulsePid);
}

}  // namespace sinewright
