#include "measure/tone_pair.h"

#include <fmt/format.h>

#include <cmath>
#include <vector>

#include "measure/append.h"
#include "measure/tone_spread.h"

namespace sinewright {
namespace {

// A ratio of the tones of two channels, as amplitudes.
struct PairRatio {
  double value = 0;
  std::optional<Uncertainty> relative;
};

bool is_calibrated_pair(const ReadingContext& context, std::size_t first) {
  return is_calibrated(context, context.channels[first]) &&
         is_calibrated(context, context.channels[first + 1]);
}

// At the terminals where both channels are calibrated, at the converters otherwise.
PairRatio left_to_right(const ToneAnalysis& analysis, const ReadingContext& context,
                        std::size_t first) {
  const ToneChannel& left = analysis.channels[0];
  const ToneChannel& right = analysis.channels[1];
  PairRatio ratio{left.fundamental_rms / right.fundamental_rms, std::nullopt};
  if (!is_calibrated_pair(context, first)) return ratio;
  const Chain& chain = *context.chain;
  const SoundCardResidual* residual = context.residual.get();
  const double frequency_hz = left.frequency_hz;
  ratio.value = chain.volts_of_rms(left.fundamental_rms, 0) *
                volts_correction(chain, 0, frequency_hz, residual) /
                (chain.volts_of_rms(right.fundamental_rms, 1) *
                 volts_correction(chain, 1, frequency_hz, residual));
  ratio.relative =
      combine(balance_budget(chain, frequency_hz, tone_spread(left), tone_spread(right), residual));
  return ratio;
}

void append_crosstalk(Findings& findings, const ToneAnalysis& analysis,
                      const ReadingContext& context, std::size_t first, int silent) {
  const ToneChannel& quiet = analysis.channels[static_cast<std::size_t>(silent)];
  const std::string& channel = context.channels[first + static_cast<std::size_t>(silent)];
  std::optional<double> crosstalk;
  const PairRatio ratio = left_to_right(analysis, context, first);
  if (quiet.has_tone) crosstalk = finite(db_of_amplitude_ratio(ratio.value));
  if (crosstalk && silent == 1) crosstalk = -*crosstalk;
  Reading& reading = append_reading(findings, "crosstalk", channel, crosstalk, Unit::kDb);
  if (!crosstalk) reading.note = "below the noise";
  if (!ratio.relative || !crosstalk) return;
  set_uncertainty(reading, *ratio.relative);
  reading.note = "with the sound card's own, which is not known";
}

// Played here, output and input both stand in the reading as they do in the loopback, so all of its
// phase is taken out. A tenth of that is left open, rectangular, for tones between those of the
// loopback and for what has changed since: common practice, no source. Of a foreign source the
// input alone is in it, and how the loopback is shared is not known: half, and half left open.
void append_phase(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                  const std::string& pair, bool knows_both) {
  constexpr double kOpenShare = 0.1;
  constexpr double kDegrees = 360 / kTwoPi;
  constexpr double kFit_deg = 0.001;
  const ToneChannel& left = analysis.channels[0];
  const ToneChannel& right = analysis.channels[1];
  double phase_deg = analysis.pair->phase_deg;
  std::optional<double> own_deg;
  if (knows_both) own_deg = context.residual->phase_deg(left.frequency_hz);
  const bool is_foreign = !context.drive_dbfs;
  const double share = is_foreign ? 0.5 : 1.0;
  if (own_deg) phase_deg = std::remainder(phase_deg - share * *own_deg, 360);
  Reading& reading = append_reading(findings, "phase", pair, finite(phase_deg), Unit::kDegree);
  if (!own_deg) return;
  const double infinite = Repeatability{}.degrees_of_freedom;
  const std::vector<Component> budget = {
      type_a("repeatability, left", left.level_deviation * kDegrees, infinite),
      type_a("repeatability, right", right.level_deviation * kDegrees, infinite),
      // What hum and drift beside the tone leave in a fit: on the simulated bench, 1e-5 degrees.
      rectangular("fit beside other lines", kFit_deg),
      rectangular("phase of the sound card", (is_foreign ? 0.5 : kOpenShare) * std::abs(*own_deg))};
  set_absolute_uncertainty(reading, combine(budget));
}

}  // namespace

void append_pair(Findings& findings, const ToneAnalysis& analysis, const ReadingContext& context,
                 std::size_t first, int silent) {
  if (silent >= 0) {
    append_crosstalk(findings, analysis, context, first, silent);
    return;
  }
  const ToneChannel& left = analysis.channels[0];
  const ToneChannel& right = analysis.channels[1];
  if (!left.has_tone || !right.has_tone || !analysis.pair) return;
  const std::vector<std::string>& channels = context.channels;
  const bool is_stereo = channels.size() == 2;
  const std::string pair =
      is_stereo ? "pair" : fmt::format("{}-{}", channels[first], channels[first + 1]);

  const PairRatio ratio = left_to_right(analysis, context, first);
  Reading& balance = append_reading(findings, "balance", pair,
                                    finite(db_of_amplitude_ratio(ratio.value)), Unit::kDb);
  if (ratio.relative) set_uncertainty(balance, *ratio.relative);
  append_phase(
      findings, analysis, context, pair,
      knows_sound_card(context, channels[first]) && knows_sound_card(context, channels[first + 1]));
  append_reading(findings, "polarity", pair, std::abs(analysis.pair->phase_deg) < 90 ? 1.0 : -1.0,
                 Unit::kRatio);
  if (left.fundamental_rms == right.fundamental_rms && left.offset == right.offset &&
      left.peaks.positive == right.peaks.positive) {
    append_caution(findings, "mono_input",
                   "both channels are identical to the last bit: a mono input, or one signal "
                   "recorded twice; balance and crosstalk say nothing");
  }
}

}  // namespace sinewright
