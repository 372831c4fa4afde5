// The kernels that analysis spends its time in. Times are for one call, or one second of signal
// where the name says so.
#include <benchmark/benchmark.h>

#include <cmath>
#include <complex>
#include <random>
#include <vector>

#include "device/scenario.h"
#include "device/simulated_bench.h"
#include "dsp/fft.h"
#include "dsp/generator.h"
#include "dsp/noise_analysis.h"
#include "dsp/plateau.h"
#include "dsp/sine_fit.h"
#include "dsp/tone_analysis.h"

namespace sinewright {
namespace {

constexpr SampleRate kFs{96000};
constexpr std::size_t kSecond = 96000;

/// A second of a 997 Hz tone with harmonics over noise, `channels` times.
std::vector<double> tone_frames(std::size_t channels) {
  std::mt19937_64 random(1);
  std::normal_distribution<double> noise(0, 1e-5);
  std::vector<double> frames(kSecond * channels);
  for (std::size_t n = 0; n < kSecond; ++n) {
    const double angle = kTwoPi * 997 * static_cast<double>(n) / kFs.hz;
    const double sample = 0.5 * std::cos(angle) + 1e-4 * std::cos(2 * angle);
    for (std::size_t c = 0; c < channels; ++c) frames[n * channels + c] = sample + noise(random);
  }
  return frames;
}

/// The reference for the two below: the transform alone.
void real_fft_65536(benchmark::State& state) {
  const RealFft fft(65536);
  const auto samples = tone_frames(1);
  std::vector<std::complex<double>> bins(32769);
  for (auto _ : state) {
    fft.transform(std::span(samples).first(65536), bins);
    benchmark::DoNotOptimize(bins.data());
  }
}
BENCHMARK(real_fft_65536)->Unit(benchmark::kMicrosecond);

void complex_fft_96000(benchmark::State& state) {
  const ComplexFft fft(96000);
  std::vector<std::complex<double>> in(96000, {0.5, 0.1});
  std::vector<std::complex<double>> out(96000);
  for (auto _ : state) {
    fft.transform(in, out);
    benchmark::DoNotOptimize(out.data());
  }
}
BENCHMARK(complex_fft_96000)->Unit(benchmark::kMicrosecond);

void four_parameter_sine_fit_4096(benchmark::State& state) {
  const auto samples = tone_frames(1);
  for (auto _ : state) {
    benchmark::DoNotOptimize(fit_sine(std::span(samples).first(4096), kFs, {997.1}));
  }
}
BENCHMARK(four_parameter_sine_fit_4096)->Unit(benchmark::kMicrosecond);

void tone_analysis_stereo_1_s(benchmark::State& state) {
  const auto frames = tone_frames(2);
  const double guesses[] = {997, 997};
  const auto plan = make_tone_plan(kFs, tone_block_frames(kSecond, kFs, 997, {}), {});
  const std::size_t block = 2 * tone_block_frames(kSecond, kFs, 997, {});
  for (auto _ : state) {
    ToneAnalyzer analyzer(plan, guesses);
    analyzer.add_block(std::span(frames).first(block), 0);
    benchmark::DoNotOptimize(analyzer.result());
  }
}
BENCHMARK(tone_analysis_stereo_1_s)->Unit(benchmark::kMicrosecond);

void noise_analysis_stereo_1_s(benchmark::State& state) {
  const auto frames = tone_frames(2);
  NoiseSettings settings;
  settings.quasi_peak = state.range(0) != 0;
  NoiseAnalyzer analyzer(kFs, 2, settings);
  for (auto _ : state) analyzer.push(frames);
}
BENCHMARK(noise_analysis_stereo_1_s)
    ->ArgName("quasi_peak")
    ->Arg(0)
    ->Arg(1)
    ->Unit(benchmark::kMicrosecond);

class Nobody final : public PlateauListener {
 public:
  void on_begin(const PlateauStart&) override {}
  void on_frames(std::int64_t, std::span<const double>) override {}
  void on_break(const PlateauBreak&) override {}
  void on_end(std::int64_t) override {}
};

void plateau_detection_stereo_1_s(benchmark::State& state) {
  const auto frames = tone_frames(2);
  Nobody nobody;
  PlateauDetector detector(kFs, 2, {}, nobody);
  for (auto _ : state) detector.push(frames);
}
BENCHMARK(plateau_detection_stereo_1_s)->Unit(benchmark::kMicrosecond);

void generator_stereo_1_s(benchmark::State& state) {
  ToneGenerator generator(kFs, 0.01);
  const Tone tone{997, 0.5};
  generator.go_to(std::span(&tone, 1));
  std::vector<double> frames(2 * kSecond);
  for (auto _ : state) {
    generator.fill(frames, 2);
    benchmark::DoNotOptimize(frames.data());
  }
}
BENCHMARK(generator_stereo_1_s)->Unit(benchmark::kMicrosecond);

void simulated_bench_1_s(benchmark::State& state) {
  SimulatedBench bench(
      read_scenario(SINEWRIGHT_SOURCE_DIR "/calibration/larkfield-lr62-as-left.toml"), {48000});
  auto generator = std::make_shared<ToneGenerator>(SampleRate{48000}, 0.01);
  const Tone tone{997, 0.1};
  generator->go_to(std::span(&tone, 1));
  bench.play(generator);
  std::vector<double> frames(2 * 48000);
  for (auto _ : state) benchmark::DoNotOptimize(bench.read(frames));
}
BENCHMARK(simulated_bench_1_s)->Unit(benchmark::kMicrosecond);

}  // namespace
}  // namespace sinewright

BENCHMARK_MAIN();
