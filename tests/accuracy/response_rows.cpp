// Response: of a filter whose response is known in closed form, and stepped on the simulated bench.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <memory>

#include "accuracy/signals.h"
#include "accuracy/table.h"
#include "device/scenario.h"
#include "device/simulated_bench.h"
#include "dsp/tone_analysis.h"
#include "measure/response.h"
#include "measure/session.h"

namespace sinewright {
namespace {

/// y[n] = gain (x[n] + zero x[n-1]) + pole y[n-1]: a first-order low or high cut.
struct FirstOrder {
  double gain, zero, pole;

  [[nodiscard]] std::complex<double> response(double frequency_hz, SampleRate fs) const {
    const std::complex<double> delay = std::polar(1.0, -kTwoPi * frequency_hz / fs.hz);
    return gain * (1.0 + zero * delay) / (1.0 - pole * delay);
  }
  void filter(std::vector<double>& samples) const {
    double x_1 = 0;
    double y_1 = 0;
    for (double& sample : samples) {
      const double x = sample;
      sample = y_1 = gain * (x + zero * x_1) + pole * y_1;
      x_1 = x;
    }
  }
};

AccuracyRow known_filter_row() {
  constexpr SampleRate kFs{96000};
  const FirstOrder low_cut{0.9995, -1, 0.999};  // -3 dB near 15 Hz
  const FirstOrder high_cut{0.25, 1, 0.5};      // -3 dB near 9.8 kHz
  double worst_db = 0;
  double worst_deg = 0;
  for (const double frequency_hz : response_frequencies(ResponseSettings{})) {
    const auto left = exact_sine(frequency_hz, kFs, 96000, 0.5, 0.2);
    auto right = left;
    low_cut.filter(right);
    high_cut.filter(right);
    // Half a second to settle: what is left of the low cut's transient is below -200 dB.
    const std::size_t settled = 48000;
    const auto frames =
        interleaved(std::span(left).subspan(settled), std::span(right).subspan(settled));
    const double guesses[] = {frequency_hz, frequency_hz};
    const ToneAnalysis tone = analyze_tone(frames, kFs, guesses, {}).value();
    const auto truth = low_cut.response(frequency_hz, kFs) * high_cut.response(frequency_hz, kFs);
    const double ratio = tone.channels[1].fundamental_rms / tone.channels[0].fundamental_rms;
    worst_db = std::max(worst_db, std::abs(db_of_amplitude_ratio(ratio / std::abs(truth))));
    const double truth_deg = std::arg(truth) * 360 / kTwoPi;
    worst_deg =
        std::max(worst_deg, std::abs(std::remainder(tone.pair.value().phase_deg - truth_deg, 360)));
  }
  return {"response of a known filter", "low and high cut, 31 points, settled, 0.5 s each",
          "<= 0.002 dB, 0.02 deg", fixed(worst_db, 6) + " dB, " + fixed(worst_deg, 6) + " deg",
          worst_db <= 0.002 && worst_deg <= 0.02};
}

class NoProgress final : public Progress {
 public:
  void report(double, const std::string&) override {}
  [[nodiscard]] bool is_cancelled() const override { return false; }
};

/// In real time on the simulated bench, both channels at once.
AccuracyRow stepped_response_row() {
  const Scenario scenario =
      read_scenario(SINEWRIGHT_SOURCE_DIR "/calibration/larkfield-lr62-as-left.toml");
  SimulatedBenchOptions options;
  options.is_real_time = true;
  auto bench = std::make_unique<SimulatedBench>(scenario, SampleRate{48000}, options);
  bench->set_volume_db(-21);
  ResponseSettings settings;
  settings.has_thd = false;
  const std::size_t points = response_frequencies(settings).size();

  Session session(std::move(bench), std::nullopt, {});
  NoProgress progress;
  const auto began = std::chrono::steady_clock::now();
  const Findings findings = run_response(session, settings, progress);
  const std::chrono::duration<double> wall = std::chrono::steady_clock::now() - began;
  const double signal_s = findings.ended_s;  // from the opening of the stream on, delay and all
  const double ratio = wall.count() / signal_s;
  return {"stepped response, " + std::to_string(points) + " points",
          "20 Hz - 20 kHz, both channels, level, simulated bench in real time",
          "<= 12 s of signal, wall <= 1.15 x", fixed(signal_s, 2) + " s, " + fixed(ratio, 3) + " x",
          points == 31 && signal_s <= 12 && ratio <= 1.15};
}

}  // namespace

std::vector<AccuracyRow> response_rows() { return {known_filter_row(), stepped_response_row()}; }

}  // namespace sinewright
