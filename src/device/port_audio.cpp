// The only file that knows PortAudio. Its callbacks copy to and from lock-free queues, no more.
#include "device/port_audio.h"

#include <fmt/format.h>
#include <portaudio.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <future>
#include <stdexcept>
#include <thread>

#include "device/capture_queue.h"
#include "device/playback_queue.h"
#include "device/quiet_stderr.h"
#include "findings/error.h"

namespace sinewright {
namespace {

using namespace std::chrono_literals;

constexpr std::array kCommonRatesHz = {8000.0,   11025.0,  16000.0,  22050.0,  32000.0,
                                       44100.0,  48000.0,  88200.0,  96000.0,  176400.0,
                                       192000.0, 352800.0, 384000.0, 705600.0, 768000.0};
constexpr double kInputKept_s = 4.0;
constexpr double kFade_s = 0.02;
constexpr auto kCloseLimit = 1s;

[[noreturn]] void refuse(const std::string& text) { throw Error(ExitCode::kDevice, text); }

std::string reason_of(PaError error) {
  if (error == paUnanticipatedHostError) {
    const PaHostErrorInfo* host = Pa_GetLastHostErrorInfo();
    if (host != nullptr && host->errorText != nullptr && *host->errorText != '\0') {
      return host->errorText;
    }
  }
  return Pa_GetErrorText(error);
}

/// PortAudio for as long as one of these lives; it counts them itself.
class Host {
 public:
  Host() {
    const QuietStderr quiet;
    const PaError error = Pa_Initialize();
    if (error != paNoError) {
      refuse("the sound system does not start (" + reason_of(error) + "); check its installation");
    }
  }
  ~Host() { Pa_Terminate(); }
  Host(const Host&) = delete;
  Host& operator=(const Host&) = delete;
};

PaStreamParameters parameters_for(int index, int channels, Direction direction) {
  const PaDeviceInfo& info = *Pa_GetDeviceInfo(index);
  PaStreamParameters parameters{};
  parameters.device = index;
  parameters.channelCount = channels;
  // Exact for converters of up to 24 bits.
  parameters.sampleFormat = paFloat32;
  parameters.suggestedLatency =
      direction == Direction::kInput ? info.defaultHighInputLatency : info.defaultHighOutputLatency;
  return parameters;
}

bool accepts(const DeviceInfo& device, Direction direction, double rate_hz) {
  const bool is_input = direction == Direction::kInput;
  const int channels = std::min(2, is_input ? device.max_inputs : device.max_outputs);
  if (channels == 0) return true;
  const PaStreamParameters parameters = parameters_for(device.index, channels, direction);
  return Pa_IsFormatSupported(is_input ? &parameters : nullptr, is_input ? nullptr : &parameters,
                              rate_hz) == paFormatIsSupported;
}

std::vector<double> rates_of(const DeviceInfo& device) {
  std::vector<double> rates_hz;
  std::copy_if(kCommonRatesHz.begin(), kCommonRatesHz.end(), std::back_inserter(rates_hz),
               [&device](double rate_hz) {
                 return accepts(device, Direction::kInput, rate_hz) &&
                        accepts(device, Direction::kOutput, rate_hz);
               });
  return rates_hz;
}

DeviceInfo describe(int index) {
  const PaDeviceInfo& info = *Pa_GetDeviceInfo(index);
  const PaHostApiInfo& api = *Pa_GetHostApiInfo(info.hostApi);
  DeviceInfo device;
  device.index = index;
  device.name = info.name;
  device.host_api = api.name;
  device.max_inputs = info.maxInputChannels;
  device.max_outputs = info.maxOutputChannels;
  device.default_rate_hz = info.defaultSampleRate;
  device.is_default_input = index == Pa_GetDefaultInputDevice();
  device.is_default_output = index == Pa_GetDefaultOutputDevice();
  device.is_exclusive = api.type == paALSA && device.name.find("(hw:") != std::string::npos;
  return device;
}

/// The devices, without trying their rates. A Host must live.
std::vector<DeviceInfo> devices_now() {
  std::vector<DeviceInfo> devices(static_cast<std::size_t>(std::max(Pa_GetDeviceCount(), 0)));
  for (std::size_t i = 0; i < devices.size(); ++i) devices[i] = describe(static_cast<int>(i));
  return devices;
}

/// What the callbacks share with the stream. Outlives both.
struct Lines {
  Lines(const StreamRequest& request, std::int64_t lead_frames, std::int64_t round_trip_frames)
      : capture(request.input_channels,
                static_cast<std::int64_t>(kInputKept_s * request.sample_rate_hz),
                round_trip_frames),
        playback(request.output_channels, lead_frames),
        has_input(request.input.has_value()) {}

  void play(void* output, unsigned long frames, PaStreamCallbackFlags flags) noexcept {
    const bool is_complete = playback.read(static_cast<float*>(output), frames);
    if (!is_complete || (flags & (paOutputUnderflow | paOutputOverflow)) != 0) {
      slips.fetch_add(1, std::memory_order_relaxed);
    }
  }

  void record(const void* input, unsigned long frames, PaStreamCallbackFlags flags) noexcept {
    const std::uint32_t slips_now = slips.load(std::memory_order_relaxed);
    CaptureTrouble trouble;
    trouble.lost_before = (flags & paInputOverflow) != 0;
    trouble.these_are_void = has_input && (input == nullptr || (flags & paInputUnderflow) != 0);
    trouble.output_slipped = slips_now != slips_seen;
    slips_seen = slips_now;
    capture.write(static_cast<const float*>(input), frames, trouble);
  }

  CaptureQueue capture;
  PlaybackQueue playback;
  const bool has_input;
  std::atomic<std::uint32_t> slips{0};  ///< holes in the output
  std::uint32_t slips_seen = 0;         ///< by the recording callback
};

int on_both(const void* input, void* output, unsigned long frames, const PaStreamCallbackTimeInfo*,
            PaStreamCallbackFlags flags, void* lines) {
  static_cast<Lines*>(lines)->play(output, frames, flags);
  static_cast<Lines*>(lines)->record(input, frames, flags);
  return paContinue;
}

int on_output(const void*, void* output, unsigned long frames, const PaStreamCallbackTimeInfo*,
              PaStreamCallbackFlags flags, void* lines) {
  static_cast<Lines*>(lines)->play(output, frames, flags);
  return paContinue;
}

int on_input(const void* input, void*, unsigned long frames, const PaStreamCallbackTimeInfo*,
             PaStreamCallbackFlags flags, void* lines) {
  static_cast<Lines*>(lines)->record(input, frames, flags);
  return paContinue;
}

/// One end of a stream that is wanted: a device and how it is to be opened.
struct End {
  DeviceInfo device;
  Direction direction;
  PaStreamParameters parameters;
};

std::optional<End> find_end(const std::optional<std::string>& selector, int channels,
                            Direction direction) {
  if (!selector) return std::nullopt;
  const DeviceInfo device = find_device(devices_now(), *selector, direction);
  const bool is_input = direction == Direction::kInput;
  const int offered = is_input ? device.max_inputs : device.max_outputs;
  if (channels > offered) {
    refuse(fmt::format("device '{}': offers {} {} channel(s), {} wanted; ask for fewer",
                       device.full_name(), offered, is_input ? "input" : "output", channels));
  }
  return End{device, direction, parameters_for(device.index, channels, direction)};
}

bool share_a_clock(const End& a, const End& b) {
  if (a.device.index == b.device.index) return true;
  const auto api_of = [](const End& end) {
    return Pa_GetHostApiInfo(Pa_GetDeviceInfo(end.device.index)->hostApi)->type;
  };
  return api_of(a) == paJACK && api_of(b) == paJACK;  // a JACK server has one clock
}

std::string name_of(const std::optional<End>& input, const std::optional<End>& output) {
  if (!output) return input->device.full_name();
  if (!input || input->device.index == output->device.index) return output->device.full_name();
  return output->device.full_name() + " to " + input->device.full_name();
}

class SoundCard final : public Stream {
 public:
  explicit SoundCard(const StreamRequest& request);
  ~SoundCard() override;

  [[nodiscard]] std::string name() const override { return name_; }
  [[nodiscard]] SampleRate sample_rate() const override { return {request_.sample_rate_hz}; }
  [[nodiscard]] int channels() const override { return request_.input_channels; }
  [[nodiscard]] int output_channels() const override {
    return has_output() ? request_.output_channels : 0;
  }
  [[nodiscard]] std::size_t read(std::span<double> samples) override;
  [[nodiscard]] std::span<const std::int64_t> gaps() const override {
    return lines_->capture.gaps();
  }
  [[nodiscard]] std::int64_t frames_played() const override {
    return lines_->playback.frames_played();
  }
  void play(std::shared_ptr<Signal> signal) override;
  [[nodiscard]] bool shares_output() const override { return shares_output_; }

 private:
  [[nodiscard]] bool has_output() const { return request_.output.has_value(); }
  void open(const End* input, const End* output, PaStreamCallback* callback);
  void start();
  void fade_out();
  void close();

  StreamRequest request_;
  std::string name_;
  bool shares_output_ = false;
  std::shared_ptr<Host> host_ = std::make_shared<Host>();
  std::shared_ptr<Lines> lines_;
  std::vector<PaStream*> streams_;
  double patience_s_ = kDeviceStartPatience_s;
};

[[noreturn]] void refuse_to_open(PaError error, const End& end, double rate_hz) {
  const std::string name = "device '" + end.device.full_name() + "': ";
  if (error == paInvalidSampleRate) {
    refuse(fmt::format("{}does not offer {:.0f} Hz; choose one of: {}", name, rate_hz,
                       describe_rates(rates_of(end.device))));
  }
  if (error == paDeviceUnavailable) {
    refuse(name + "is in use; close the program that uses it, or choose another device");
  }
  refuse(name + "cannot be opened (" + reason_of(error) + "); choose another device or rate");
}

SoundCard::SoundCard(const StreamRequest& request) : request_(request) {
  const auto input = find_end(request.input, request.input_channels, Direction::kInput);
  const auto output = find_end(request.output, request.output_channels, Direction::kOutput);
  name_ = name_of(input, output);
  shares_output_ = output && !output->device.is_exclusive;
  const double output_latency_s = output ? output->parameters.suggestedLatency : 0;
  const double input_latency_s = input ? input->parameters.suggestedLatency : 0;
  const auto frames = [&](double seconds) {
    return static_cast<std::int64_t>(std::ceil(seconds * request.sample_rate_hz));
  };
  // The device takes up to its own latency at a stroke.
  lines_ = std::make_shared<Lines>(request, frames(request.latency_s + output_latency_s),
                                   frames(input_latency_s + output_latency_s));
  if (output) lines_->playback.top_up();
  try {
    if (!input || (output && share_a_clock(*input, *output))) {
      open(input ? &*input : nullptr, &*output, on_both);
    } else {
      open(&*input, nullptr, on_input);
      if (output) open(nullptr, &*output, on_output);
    }
    start();
  } catch (...) {
    close();
    throw;
  }
}

void SoundCard::open(const End* input, const End* output, PaStreamCallback* callback) {
  const QuietStderr quiet;
  PaStream* stream = nullptr;
  const PaError error =
      Pa_OpenStream(&stream, input != nullptr ? &input->parameters : nullptr,
                    output != nullptr ? &output->parameters : nullptr, request_.sample_rate_hz,
                    paFramesPerBufferUnspecified, paNoFlag, callback, lines_.get());
  if (error != paNoError) {
    refuse_to_open(error, input != nullptr ? *input : *output, request_.sample_rate_hz);
  }
  streams_.push_back(stream);
}

void SoundCard::start() {
  const QuietStderr quiet;
  for (PaStream* stream : streams_) {
    const PaError error = Pa_StartStream(stream);
    if (error != paNoError) {
      refuse("device '" + name_ + "': does not start (" + reason_of(error) + "); try again");
    }
  }
}

void SoundCard::play(std::shared_ptr<Signal> signal) {
  if (signal && !has_output()) throw std::invalid_argument("signal: the stream has no output");
  lines_->playback.play(std::move(signal));
}

std::size_t SoundCard::read(std::span<double> samples) {
  const std::size_t wanted = samples.size() / static_cast<std::size_t>(channels());
  const std::size_t came = lines_->capture.read(
      samples, std::chrono::milliseconds(std::lround(1000 * patience_s_)), [this] {
        if (has_output()) lines_->playback.top_up();
      });
  if (came == 0 && wanted > 0) {
    refuse(
        fmt::format("device '{}': stopped delivering; check plug, power and sound server, then "
                    "start again",
                    name_));
  }
  // What came before the pause is handed over first; the next call need not wait again.
  patience_s_ = came < wanted ? 0 : kDevicePatience_s;
  return came;
}

void SoundCard::fade_out() {
  lines_->playback.fade_out(static_cast<std::int64_t>(kFade_s * request_.sample_rate_hz));
  const auto limit =
      std::chrono::steady_clock::now() + std::chrono::duration<double>(request_.latency_s + 0.4);
  while (!lines_->playback.is_silent() && std::chrono::steady_clock::now() < limit) {
    std::this_thread::sleep_for(2ms);
  }
}

// A driver whose device or server is gone can block for ever. Then a thread of its own waits for
// it, with all that its callbacks touch, and the program goes on.
void SoundCard::close() {
  std::promise<void> closed;
  const std::future<void> is_closed = closed.get_future();
  std::thread closer([streams = streams_, lines = std::move(lines_), host = std::move(host_),
                      closed = std::move(closed)]() mutable {
    for (PaStream* stream : streams) Pa_StopStream(stream);
    for (PaStream* stream : streams) Pa_CloseStream(stream);
    host.reset();
    lines.reset();
    closed.set_value();
  });
  // Drivers remark on lost servers here. The closer must not be the one to restore stderr: it may
  // never come back.
  const QuietStderr quiet;
  if (is_closed.wait_for(kCloseLimit) == std::future_status::ready) {
    closer.join();
  } else {
    closer.detach();
  }
}

SoundCard::~SoundCard() {
  if (has_output()) fade_out();
  close();
}

void check_channels(const char* parameter, int channels) {
  if (channels >= 1 && channels <= 64) return;
  throw std::invalid_argument(std::string(parameter) + ": 1 to 64, not " +
                              std::to_string(channels));
}

void check(const StreamRequest& request) {
  check_channels("input_channels", request.input_channels);
  check_channels("output_channels", request.output_channels);
  if (!request.input && !request.output) {
    throw std::invalid_argument("input, output: at least one device is needed");
  }
  if (!(request.sample_rate_hz >= 1000 && request.sample_rate_hz <= 10e6)) {
    throw std::invalid_argument("sample_rate_hz: 1000 to 10 million, not " +
                                std::to_string(request.sample_rate_hz));
  }
  if (!(request.latency_s >= 0.01 && request.latency_s <= 0.4)) {
    throw std::invalid_argument("latency_s: 0.01 to 0.4, not " + std::to_string(request.latency_s));
  }
}

}  // namespace

std::vector<DeviceInfo> list_devices() {
  const Host host;
  const QuietStderr quiet;
  std::vector<DeviceInfo> devices = devices_now();
  for (DeviceInfo& device : devices) device.rates_hz = rates_of(device);
  return devices;
}

DeviceInfo find_device(const std::string& selector, Direction direction) {
  const Host host;
  return find_device(devices_now(), selector, direction);
}

std::unique_ptr<Stream> open_stream(const StreamRequest& request) {
  check(request);
  return std::make_unique<SoundCard>(request);
}

}  // namespace sinewright
