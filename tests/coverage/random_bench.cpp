#include "random_bench.h"

#include <algorithm>
#include <cmath>

#include "dsp/units.h"

namespace sinewright {
namespace {

void draw_sound_card(BenchDraw& bench, RandomDraws& random) {
  const double output_v = 2 * (1 + random.within(0.05));
  const double input_v = 2 * (1 + random.within(0.05));
  bench.input_share = random.uniform(0, 1);
  std::array<double, kLoopback_hz.size()> both_db{};
  for (double& db : both_db) db = random.within(0.15);
  for (ChannelDraw& channel : bench.channels) {
    channel.output_full_scale_vrms = output_v * (1 + random.within(0.01));
    channel.input_full_scale_vrms = input_v * (1 + random.within(0.01));
    channel.drift = random.within(bench.stability_percent / 100);
    for (std::size_t i = 0; i < both_db.size(); ++i) {
      channel.card_db[i] = both_db[i] + random.within(0.03);
    }
    for (double& bend : channel.bend) bend = random.within(1);
    channel.input_noise_rms = random.log_uniform(2e-6, 5e-5);
    channel.output_noise_rms = random.log_uniform(2e-6, 5e-5);
  }
}

// `share`: of the unit's harmonic that the sound card adds.
void draw_harmonic(const BenchDraw& bench, ChannelDraw& channel, std::size_t order, double unit,
                   double share, RandomDraws& random) {
  const bool is_alike = bench.kind == DistortionKind::kAlike;
  const double below =
      is_alike ? random.log_uniform(0.5, 1) : random.log_uniform(0.03, 0.12);  // -30 to -18 dB
  const double leading = share * unit;
  const bool output_leads = random.uniform(0, 1) < 0.5;
  channel.of_unit[order] = unit * random.phasor();
  channel.of_output[order] = leading * (output_leads ? 1 : below) * random.phasor();
  channel.of_input[order] = leading * (output_leads ? below : 1) * random.phasor();
  channel.turned[order] = random.phasor();
}

void draw_distortion(const BenchDraw& bench, ChannelDraw& channel, RandomDraws& random) {
  const double share = random.log_uniform(0.005, 0.5);
  const double unit = random.log_uniform(6e-4, 1e-2);
  if (bench.kind != DistortionKind::kSeveral) {
    const std::size_t order = random.uniform(0, 1) < 0.5 ? 2 : 3;
    draw_harmonic(bench, channel, order, unit, share, random);
    return;
  }
  for (std::size_t order = 2; order <= kHighestOrder; ++order) {
    draw_harmonic(bench, channel, order, unit * random.log_uniform(0.2, 1), share, random);
  }
}

void draw_unit(BenchDraw& bench, RandomDraws& random) {
  bench.drive_dbfs = random.uniform(-12, -6);
  const double input_dbfs = std::clamp(bench.drive_dbfs + random.within(3), -13.0, -5.0);
  for (ChannelDraw& channel : bench.channels) {
    const double gain_db = input_dbfs - bench.drive_dbfs + random.within(0.5);
    channel.unit_gain = bench.nominal_ratio * amplitude_ratio_of_db(gain_db);
    channel.unit_tilt_db = random.within(1);
    channel.unit_noise = random.log_uniform(3e-5, 3e-3);
    draw_distortion(bench, channel, random);
  }
}

void draw_load(BenchDraw& bench, RandomDraws& random) {
  bench.temperature_ppm_per_k = random.uniform(20, 200);
  bench.temperature_rise_k = 60;
  const double warmth = bench.temperature_ppm_per_k * 1e-6 * bench.temperature_rise_k;
  bench.lead_ohm = random.uniform(0, 0.2);
  for (ChannelDraw& channel : bench.channels) {
    channel.load_ohm = 8 * (1 + random.within(0.02));
    channel.load_warmth = random.within(warmth);
  }
}

void draw_meters(BenchDraw& bench, RandomDraws& random) {
  bench.voltmeter = {random.log_uniform(0.05, 1), std::floor(random.uniform(0, 4)), 0.001};
  bench.ohmmeter = {random.log_uniform(0.1, 1), std::floor(random.uniform(0, 3)), 0.01};
  bench.voltmeter_error = random.within(1);
  bench.ohmmeter_error = random.within(1);
}

double share_in_band() { return (kBandHigh_hz - kBandLow_hz) / (kRate_hz / 2); }

}  // namespace

BenchDraw draw_bench(std::uint64_t number) {
  RandomDraws random(number);
  BenchDraw bench{};
  const double kind = random.uniform(0, 1);
  bench.kind = kind < 0.6   ? DistortionKind::kOneHarmonic
               : kind < 0.8 ? DistortionKind::kSeveral
                            : DistortionKind::kAlike;
  bench.level_exponent = bench.kind == DistortionKind::kSeveral ? random.uniform(0, 1)
                         : bench.kind == DistortionKind::kAlike ? random.uniform(1, 2)
                                                                : 0;
  bench.stability_percent = random.log_uniform(0.03, 0.5);
  bench.nominal_ratio = random.log_uniform(1.5, 20);
  draw_sound_card(bench, random);
  for (ChannelDraw& channel : bench.channels) {
    channel.ratio = bench.nominal_ratio * (1 + random.within(0.02));
  }
  draw_meters(bench, random);
  draw_load(bench, random);
  draw_unit(bench, random);
  bench.top_ratio = random.log_uniform(10, 30);
  return bench;
}

BenchDraw on_highest_range(BenchDraw bench) {
  for (ChannelDraw& channel : bench.channels) {
    channel.ratio *= bench.top_ratio / bench.nominal_ratio;
  }
  bench.nominal_ratio = bench.top_ratio;
  return bench;
}

Profile nominal_profile(const BenchDraw& bench) {
  Profile profile;
  profile.name = "random bench";
  profile.sample_rate_hz = kRate_hz;
  profile.input_full_scale_vrms = 2;
  profile.output_full_scale_vrms = 2;
  profile.stability_percent = bench.stability_percent;
  profile.ranges = {Range{"high", bench.nominal_ratio, std::nullopt}};
  profile.load.resistance_ohm = 8;
  profile.load.rated_w = 200;
  profile.power_limit_w = 200;
  return profile;
}

double card_db(const ChannelDraw& channel, double frequency_hz) {
  std::size_t i = 0;
  while (i + 2 < kLoopback_hz.size() && frequency_hz > kLoopback_hz[i + 1]) ++i;
  const double at = std::clamp(
      std::log(frequency_hz / kLoopback_hz[i]) / std::log(kLoopback_hz[i + 1] / kLoopback_hz[i]),
      0.0, 1.0);
  const double step_db = channel.card_db[i + 1] - channel.card_db[i];
  return channel.card_db[i] + at * step_db + channel.bend[i] * step_db * std::min(at, 1 - at);
}

double unit_db(const ChannelDraw& channel, double frequency_hz) {
  return channel.unit_tilt_db * std::log10(frequency_hz / kTone_hz);
}

double terminal_vrms(const BenchDraw& bench, std::size_t channel, double frequency_hz,
                     double drive) {
  const ChannelDraw& own = bench.channels[channel];
  const double output_db = (1 - bench.input_share) * card_db(own, frequency_hz);
  return drive * own.output_full_scale_vrms * own.unit_gain *
         amplitude_ratio_of_db(output_db + unit_db(own, frequency_hz));
}

UnitTruth unit_truth(const BenchDraw& bench, std::size_t channel) {
  const ChannelDraw& own = bench.channels[channel];
  UnitTruth truth{};
  truth.fundamental_vrms =
      terminal_vrms(bench, channel, kTone_hz, amplitude_ratio_of_db(bench.drive_dbfs));
  double harmonics_ms = 0;
  for (const std::complex<double>& harmonic : own.of_unit) harmonics_ms += std::norm(harmonic);
  const double rest_ms = harmonics_ms + own.unit_noise * own.unit_noise * share_in_band();
  truth.thd = std::sqrt(harmonics_ms);
  truth.thd_n = std::sqrt(rest_ms / (1 + rest_ms));
  truth.level_vrms = truth.fundamental_vrms * std::sqrt(1 + rest_ms);
  truth.watts = truth.level_vrms * truth.level_vrms / (own.load_ohm * (1 + own.load_warmth));
  return truth;
}

}  // namespace sinewright
