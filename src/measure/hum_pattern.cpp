#include "measure/hum_pattern.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {
namespace {

constexpr const char* kPractice = " (common practice, no source)";

// RMS of the orders that `counts` picks.
template <typename Counts>
double family_rms(const NoiseChannel& channel, Counts counts) {
  double sum = 0;
  for (const HumLine& line : channel.hum_lines) {
    if (line.above_noise && counts(line.order)) sum += line.rms * line.rms;
  }
  return std::sqrt(sum);
}

double line_rms(const NoiseChannel& channel, int order) {
  return family_rms(channel, [order](int n) { return n == order; });
}

bool is_over(double a, double b, double db) { return a > b * amplitude_ratio_of_db(db); }

// The shape of one channel's family in words.
std::vector<std::string> describe_family(const NoiseChannel& channel, const std::string& name,
                                         double mains_hz) {
  std::vector<std::string> found;
  const double first = line_rms(channel, 1);
  const double second = line_rms(channel, 2);
  const double even = family_rms(channel, [](int n) { return n % 2 == 0; });
  const double odd = family_rms(channel, [](int n) { return n % 2 == 1; });
  const double odd_above = family_rms(channel, [](int n) { return n % 2 == 1 && n > 1; });
  const double buzz = family_rms(channel, [](int n) { return n > 10; });
  const auto say = [&](const std::string& text) {
    found.push_back(fmt::format("{}: {}{}", name, text, kPractice));
  };
  if (is_over(even, odd, 6)) {
    say(
        fmt::format("{:.0f} Hz and its even multiples lead, as ripple of a full-wave supply: tired "
                    "or too small reservoir capacitors, a failing regulator, or an output stage "
                    "that draws too much from one rail",
                    2 * mains_hz));
  } else if (is_over(first, even, 6) && is_over(first, odd_above, 6)) {
    say(
        fmt::format("{:.0f} Hz leads alone: stray field of the mains transformer into leads or "
                    "input stage, pick-up by an open screen or a missing ground, or ground routing",
                    mains_hz));
  } else if (is_over(odd_above, even, 3)) {
    say(
        fmt::format("odd multiples of {:.0f} Hz lead: stray field of a transformer near "
                    "saturation, or distorted mains",
                    mains_hz));
  } else if (first > 0 && second > 0 && !is_over(first, second, 6) && !is_over(second, first, 6)) {
    say(
        fmt::format("{:.0f} and {:.0f} Hz stand at like levels: one diode of a rectifier open, one "
                    "half of a winding open, or one capacitor of a split supply failed",
                    mains_hz, 2 * mains_hz));
  }
  if (buzz > 0 && is_over(buzz, std::max(even, odd), -10)) {
    say("lines go on far up, a buzz: rectifier spikes, a charging current that shares its path "
        "with signal ground, dimmers or switching supplies nearby");
  }
  return found;
}

}  // namespace

std::vector<std::string> explain_hum(const NoisePattern& pattern,
                                     const std::vector<std::string>& channels) {
  std::vector<std::string> found;
  const NoiseAnalysis& connected = pattern.connected;
  if (!pattern.off) {
    found.push_back(
        "the pattern is not explained: without a reading with the unit off but connected, the hum "
        "might be that of the bench");
    return found;
  }
  if (!connected.mains) {
    found.push_back("no mains lines stand above the noise: nothing to explain");
    return found;
  }
  double loudest = 0;
  for (const NoiseChannel& on : connected.channels) loudest = std::max(loudest, on.hum_rms);
  for (std::size_t c = 0; c < connected.channels.size(); ++c) {
    const NoiseChannel& on = connected.channels[c];
    const std::string& name = channels[c];
    // A channel that is far quieter than its neighbour needs no explaining.
    if (!(on.hum_rms > 0) || is_over(loudest, on.hum_rms, 20)) continue;
    const double off_rms = pattern.off->channels[c].hum_rms;
    if (!is_over(on.hum_rms, off_rms, 6)) {
      found.push_back(fmt::format(
          "{}: with the unit off the hum is much the same: it is that of the bench (a ground loop "
          "through sound card or computer), not of the unit{}",
          name, kPractice));
      continue;
    }
    if (c < pattern.sound_rms.size() && on.hum_rms < pattern.sound_rms[c]) {
      found.push_back(fmt::format(
          "{}: so little hum is that of a sound unit: its pattern is not read for faults{}", name,
          kPractice));
      continue;
    }
    for (std::string& text : describe_family(on, name, connected.mains->frequency_hz)) {
      found.push_back(std::move(text));
    }
    if (pattern.shorted) {
      const double shorted_rms = pattern.shorted->channels[c].hum_rms;
      found.push_back(fmt::format(
          "{}: {}{}", name,
          is_over(on.hum_rms, shorted_rms, 6)
              ? "it falls when the input is shorted: it comes in before that point, from the "
                "source, its lead or its ground"
              : "it stays when the input is shorted: it arises behind the input, in the supply or "
                "the power stage",
          kPractice));
    }
  }
  if (connected.channels.size() == 2) {
    const double left = connected.channels[0].hum_rms;
    const double right = connected.channels[1].hum_rms;
    const bool is_sound = pattern.sound_rms.size() == 2 && left < pattern.sound_rms[0] &&
                          right < pattern.sound_rms[1];
    const bool is_left = is_over(left, right, 10) && !is_sound;
    const bool is_right = is_over(right, left, 10) && !is_sound;
    if (is_left || is_right) {
      found.push_back(fmt::format(
          "only {} hums: look for that channel's own decoupling, fuse, ground or output stage; a "
          "common supply would show in both{}",
          channels[is_left ? 0 : 1], kPractice));
    } else if (left > 0 && right > 0 && !found.empty() && !is_sound) {
      found.push_back(
          fmt::format("both channels hum alike: look at what they share, the supply{}", kPractice));
    }
  }
  return found;
}

}  // namespace sinewright
