// What batch analysis is timed against: decode every sample of the recordings and put it through
// one real FFT of 65536 points, recordings side by side on as many threads.
//
//   decode_fft_reference THREADS FILE...     prints a checksum, so that nothing is optimised away

#include <sndfile.h>

#include <algorithm>
#include <atomic>
#include <complex>
#include <cstdlib>
#include <iostream>
#include <memory>
#include <string>
#include <thread>
#include <vector>

#include "dsp/fft.h"

namespace {

constexpr std::size_t kBlock = 65536;

/// Power in all blocks of all channels; the last block is filled up with zeros.
double spectral_power(const std::string& path, const sinewright::RealFft& fft) {
  SF_INFO info{};
  const std::unique_ptr<SNDFILE, int (*)(SNDFILE*)> file(sf_open(path.c_str(), SFM_READ, &info),
                                                         sf_close);
  if (!file) {
    std::cerr << "decode_fft_reference: " << path << ": " << sf_strerror(nullptr) << "\n";
    std::exit(3);
  }
  const auto channels = static_cast<std::size_t>(info.channels);
  std::vector<double> frames(kBlock * channels);
  std::vector<double> samples(kBlock);
  std::vector<std::complex<double>> bins(kBlock / 2 + 1);
  double power = 0;
  while (const auto got = static_cast<std::size_t>(
             sf_readf_double(file.get(), frames.data(), static_cast<sf_count_t>(kBlock)))) {
    std::fill(frames.begin() + static_cast<std::ptrdiff_t>(got * channels), frames.end(), 0.0);
    for (std::size_t c = 0; c < channels; ++c) {
      for (std::size_t n = 0; n < kBlock; ++n) samples[n] = frames[n * channels + c];
      fft.transform(samples, bins);
      for (const auto& bin : bins) power += std::norm(bin);
    }
  }
  return power;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 3) {
    std::cerr << "usage: decode_fft_reference THREADS FILE...\n";
    return 2;
  }
  const std::vector<std::string> paths(argv + 2, argv + argc);
  const sinewright::RealFft fft(kBlock);
  std::vector<double> powers(paths.size());
  std::atomic<std::size_t> next = 0;
  std::vector<std::thread> threads;
  for (int t = std::max(1, std::atoi(argv[1])); t > 0; --t) {
    threads.emplace_back([&] {
      for (std::size_t i = next++; i < paths.size(); i = next++) {
        powers[i] = spectral_power(paths[i], fft);
      }
    });
  }
  for (std::thread& thread : threads) thread.join();
  double sum = 0;
  for (const double power : powers) sum += power;
  std::cout << sum << "\n";
}
