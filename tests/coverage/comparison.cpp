#include "comparison.h"

#include <cmath>
#include <functional>
#include <memory>
#include <string>

#include "closed_form_stream.h"
#include "findings/error.h"
#include "measure/calibrate.h"
#include "measure/distortion_limits.h"
#include "measure/response.h"
#include "measure/session.h"
#include "reference_interval.h"

namespace sinewright {
namespace {

struct NoProgress final : Progress {
  void report(double, const std::string&) override {}
  [[nodiscard]] bool is_cancelled() const override { return false; }
};

const char* side(std::size_t channel) { return channel == 0 ? "left" : "right"; }

/// A session at the bench, and a technician who knows its wires.
struct Sitting {
  Sitting(const BenchDraw& bench, const Profile& profile, std::uint64_t seed, bool has_drifted) {
    auto stream = std::make_unique<ClosedFormStream>(bench, seed, has_drifted);
    technician = std::make_unique<ClosedFormOperator>(*stream);
    session = std::make_unique<Session>(std::move(stream), Chain(profile, ""), SessionSettings{});
  }
  std::unique_ptr<ClosedFormOperator> technician;
  std::unique_ptr<Session> session;
  NoProgress progress;
};

Loopback calibrate_sound_card(const BenchDraw& bench, std::uint64_t seed) {
  const BenchDraw highest = on_highest_range(bench);
  Sitting sitting(highest, nominal_profile(highest), seed, false);
  LoopbackSettings loopback;
  loopback.frequencies_hz.assign(kLoopback_hz.begin(), kLoopback_hz.end());
  loopback.drives_dbfs.assign(kLoopback_dbfs.begin(), kLoopback_dbfs.end());
  loopback.step_s = 0.12;
  loopback.silent_s = 0.3;
  loopback.divider_frequencies_hz = {kTone_hz};
  loopback.divider_drives_dbfs = loopback.drives_dbfs;
  loopback.divider_step_s = 1;
  return calibrate_loopback(*sitting.session, loopback, *sitting.technician, sitting.progress);
}

Profile calibrate(const BenchDraw& bench, std::uint64_t seed) {
  Profile profile = nominal_profile(bench);
  Sitting sitting(bench, profile, seed, false);

  InputCalibrationSettings input;
  input.meter = bench.voltmeter;
  input.tone.frequency_hz = kCalibrated_hz;
  input.tone.duration_s = 0.2;
  profile.ranges[0].calibration =
      calibrate_input(*sitting.session, input, *sitting.technician, sitting.progress);

  LoadCalibrationSettings load;
  load.meter = bench.ohmmeter;
  load.temperature_ppm_per_k = bench.temperature_ppm_per_k;
  load.temperature_rise_k = bench.temperature_rise_k;
  profile.load.calibration = calibrate_load(load, profile.load.resistance_ohm, *sitting.technician);

  profile.loopback = calibrate_sound_card(bench, seed + 0x100000000U);
  return profile;
}

/// One bench as measured, and what is compared so far.
struct Trial {
  const BenchDraw& bench;
  Session& session;
  std::uint64_t seed;
  bool has_reference;
  std::vector<Comparison> comparisons;
};

const Reading& reading(const Findings& findings, const char* key, const char* channel, Unit unit) {
  const Reading* found = find_reading(findings, key, channel, unit);
  if (found == nullptr || !found->value) {
    throw Error(ExitCode::kFailure, std::string(key) + " of " + channel + ": not read");
  }
  return *found;
}

Comparison& add(Trial& trial, Quantity quantity, const Reading& read, double truth) {
  if (!read.uncertainty || !read.k) {
    throw Error(ExitCode::kFailure, read.key + " of " + read.channel + ": no uncertainty");
  }
  return trial.comparisons.emplace_back(
      compare(quantity, *read.value, *read.uncertainty, *read.k, truth));
}

void compare_levels(Trial& trial, const Findings& findings, const Known& known) {
  // One channel: both share one meter, and would count as one anyway.
  const std::size_t channel = trial.seed % 2;
  const UnitTruth truth = unit_truth(trial.bench, channel);
  const Reading& volts = reading(findings, "fundamental", side(channel), Unit::kVolt);
  Comparison& of_volts = add(trial, Quantity::kVolts, volts, truth.fundamental_vrms);
  if (trial.has_reference) of_volts.reference_width = volts_width(known, channel, *volts.value);
  const Reading& watts = reading(findings, "level", side(channel), Unit::kWatt);
  Comparison& of_watts = add(trial, Quantity::kWatts, watts, truth.watts);
  if (trial.has_reference) of_watts.reference_width = watts_width(known, channel, *watts.value);
  const double balance_db = 20 * std::log10(unit_truth(trial.bench, 0).fundamental_vrms /
                                            unit_truth(trial.bench, 1).fundamental_vrms);
  Comparison& of_balance =
      add(trial, Quantity::kBalance, reading(findings, "balance", "pair", Unit::kDb), balance_db);
  if (trial.has_reference) of_balance.reference_width = balance_width_db(known);
}

Quantity distortion_quantity(DistortionKind kind, bool is_limited, bool has_noise) {
  if (kind == DistortionKind::kSeveral) {
    return has_noise ? Quantity::kThdNSeveral : Quantity::kThdSeveral;
  }
  if (kind == DistortionKind::kAlike) {
    return has_noise ? Quantity::kThdNAlike : Quantity::kThdAlike;
  }
  if (is_limited) return has_noise ? Quantity::kThdNLimited : Quantity::kThdLimited;
  return has_noise ? Quantity::kThdN : Quantity::kThd;
}

struct DistortionPoint {
  const Known& known;
  std::size_t channel;
  OperatingPoint at;
  [[nodiscard]] const ToneChannel& tone() const { return known.analysis.channels[channel]; }
};

// The mean of the harmonics' squares weighs what each leaves open.
double weighted(const DistortionPoint& on, const std::function<double(const HarmonicLevel&)>& of) {
  double power = 0;
  double sum = 0;
  for (const HarmonicLevel& level : on.tone().harmonics) {
    power += std::max(0.0, level.power_ratio);
    sum += std::max(0.0, level.power_ratio) * of(level);
  }
  return power > 0 ? sum / power : 0;
}

Comparison compare_limited(const DistortionPoint& on, Quantity quantity, const Reading& read,
                           bool has_noise, double truth) {
  const ToneChannel& tone = on.tone();
  const SoundCardResidual& residual = on.known.residual;
  std::vector<MeasuredHarmonic> harmonics;
  for (const HarmonicLevel& level : tone.harmonics) {
    harmonics.push_back({level.order, std::sqrt(std::max(0.0, level.power_ratio))});
  }
  const NoiseMeasured noise{tone.fundamental_rms, tone.noise_rms, noise_deviation(tone)};
  const Limited limited = has_noise ? limit_thd_n(harmonics, noise, residual, on.channel, on.at)
                                    : limit_thd(harmonics, residual, on.channel, on.at);
  // Not in `limited`: the spread of the harmonics (in the noise's, for THD+N), and the response
  // between tone and harmonics, of which none or all may be the input's.
  const double spread = has_noise ? 0 : std::sqrt(weighted(on, [](const HarmonicLevel& level) {
    return level.deviation * level.deviation;
  }));
  const double response = weighted(on, [&](const HarmonicLevel& level) {
    return std::abs(
        amplitude_ratio_of_db(
            residual.response_db(on.channel, level.frequency_hz, tone.frequency_hz).value_or(0)) -
        1);
  });
  Comparison comparison;
  comparison.quantity = quantity;
  comparison.error = limited.value - truth;
  comparison.standard =
      std::hypot(limited.standard, spread, limited.value * response / std::sqrt(3.0));
  comparison.width = (read.interval->high - read.interval->low) / 100;
  comparison.is_covered = truth >= read.interval->low / 100 && truth <= read.interval->high / 100;
  return comparison;
}

void compare_distortion(Trial& trial, const Findings& findings, const DistortionPoint& on) {
  const UnitTruth truth = unit_truth(trial.bench, on.channel);
  for (const bool has_noise : {false, true}) {
    const Reading& read =
        reading(findings, has_noise ? "thd_n" : "thd", side(on.channel), Unit::kPercent);
    const double true_ratio = has_noise ? truth.thd_n : truth.thd;
    const Quantity quantity = distortion_quantity(trial.bench.kind, !read.uncertainty, has_noise);
    Comparison comparison =
        read.uncertainty
            ? compare(quantity, *read.value / 100, *read.uncertainty / 100, *read.k, true_ratio)
            : compare_limited(on, quantity, read, has_noise, true_ratio);
    if (trial.has_reference) {
      comparison.reference_width = has_noise ? thd_n_width(on.known, on.channel, on.at)
                                             : thd_width(on.known, on.channel, on.at);
    }
    trial.comparisons.push_back(comparison);
  }
}

void measure_tone(Trial& trial) {
  Session& session = trial.session;
  session.play({kTone_hz}, trial.bench.drive_dbfs);
  session.settle(0.02);
  ToneAnalysis analysis;
  const Findings findings = session.measure_tone(session.capture(0.2), {kTone_hz}, &analysis);
  const ReadingContext context = session.context();
  const Known known{*session.chain(), *context.residual, analysis, trial.bench, trial.seed};
  compare_levels(trial, findings, known);
  for (std::size_t channel = 0; channel < 2; ++channel) {
    const ToneChannel& tone = analysis.channels[channel];
    const OperatingPoint at{tone.frequency_hz, dbfs_of_rms(tone.fundamental_rms),
                            session.drive_dbfs()};
    compare_distortion(trial, findings, {known, channel, at});
  }
  session.silence();
}

void measure_response(Trial& trial) {
  ResponseSettings settings;
  settings.from_hz = kTone_hz;
  settings.to_hz = kBetween_hz;
  settings.steps_per_octave = 1;
  settings.level_dbfs = trial.bench.drive_dbfs;
  settings.limit_w = 200;
  // The extremes over this range are the one point in it, with its coverage factor.
  settings.flat_from_hz = 0.99 * kBetween_hz;
  settings.flat_to_hz = 1.01 * kBetween_hz;
  NoProgress progress;
  const Findings findings = run_response(trial.session, settings, progress);
  const std::size_t channel = trial.seed / 2 % 2;
  const Reading& between = reading(findings, "response_highest", side(channel), Unit::kDb);
  Comparison& comparison =
      add(trial, Quantity::kResponse, between, unit_db(trial.bench.channels[channel], kBetween_hz));
  if (trial.has_reference) {
    const ReadingContext context = trial.session.context();
    const ToneAnalysis none;
    const Known known{*trial.session.chain(), *context.residual, none, trial.bench, trial.seed};
    comparison.reference_width = response_width_db(known, channel, kBetween_hz, 0);
  }
  for (const Curve& curve : findings.curves) {
    if (curve.key != "response" || curve.channel != side(channel)) continue;
    const CurvePoint& point = curve.points.at(1);
    trial.comparisons.push_back(compare(Quantity::kResponseAtTone, *point.y, *point.uncertainty, 2,
                                        unit_db(trial.bench.channels[channel], kLoopback_hz[2])));
  }
}

}  // namespace

Comparison compare(Quantity quantity, double value, double uncertainty, double k, double truth) {
  Comparison comparison;
  comparison.quantity = quantity;
  comparison.error = value - truth;
  comparison.standard = uncertainty / k;
  comparison.k = k;
  comparison.is_covered = std::abs(value - truth) <= uncertainty;
  comparison.width = 2 * uncertainty;
  return comparison;
}

std::vector<Comparison> try_bench(std::uint64_t number, bool has_reference) {
  const BenchDraw bench = draw_bench(number);
  const Profile profile = calibrate(bench, number + 0x100000000U);
  Sitting sitting(bench, profile, number + 0x200000000U, true);
  Trial trial{bench, *sitting.session, number, has_reference, {}};
  measure_tone(trial);
  measure_response(trial);
  return std::move(trial.comparisons);
}

}  // namespace sinewright
