// Results with one of everything, for the tests of the outlets.
#pragma once

#include <limits>
#include <string>

#include "findings/findings.h"

namespace sinewright {

inline Reading make_reading(const std::string& key, const std::string& channel, double value,
                            Unit unit) {
  Reading reading;
  reading.key = key;
  reading.channel = channel;
  reading.value = value;
  reading.unit = unit;
  return reading;
}

/// A stereo tone: uncertainty, interval, missing value, harmonics, cautions.
inline Findings sample_tone() {
  Findings findings;
  findings.measurement = "tone";
  findings.started_s = 0.5;
  findings.ended_s = 10.5;
  findings.taken = "2024-05-01T10:00:00Z";
  findings.conditions = {{"band_hz", std::vector<double>{20, 20000}},
                         {"weighting", std::string("none")},
                         {"load_ohm", 8.0},
                         {"both_driven", true},
                         {"volume", std::monostate{}}};
  for (const std::string channel : {"left", "right"}) {
    const double level_v = channel == "left" ? 20.02 : 19.62;
    findings.readings.push_back(make_reading("level", channel, level_v, Unit::kVolt));
    Reading thd_n = make_reading("thd_n", channel, -78.314, Unit::kDb);
    thd_n.uncertainty = 0.2;
    thd_n.k = 2;
    findings.readings.push_back(thd_n);
    findings.readings.push_back(make_reading("level", channel, -12.341, Unit::kDbfs));
    Reading hum = make_reading("hum", channel, -100, Unit::kDbv);
    hum.interval = Interval{-110, -96};
    hum.limited_by = "sound_card";
    findings.readings.push_back(hum);
    Reading snr;
    snr.key = "snr";
    snr.channel = channel;
    snr.note = "no silence, \"none\" at all";
    findings.readings.push_back(snr);
    findings.harmonics.push_back({channel, 2, 1994.0, -84.1, 12.0});
    findings.harmonics.push_back({channel, 3, 2991.0, std::nullopt, std::nullopt});
  }
  findings.readings.push_back(make_reading("balance", "pair", 0.17, Unit::kDb));
  findings.cautions = {{"near_full_scale", "lower the input gain", "left", 3.25},
                       {"short", "record longer", "", std::nullopt}};
  return findings;
}

/// A frequency response of both channels, with a gap at the second point of the right one.
inline Findings sample_response() {
  Findings findings;
  findings.measurement = "response";
  findings.ended_s = 12;
  for (const std::string channel : {"left", "right"}) {
    Curve curve{"response", channel, {"frequency", "Hz", true}, {"level", "dB", false}, {}};
    for (const double x : {20.0, 200.0, 2000.0, 20000.0}) {
      CurvePoint point;
      point.x = x;
      point.y = x == 20.0 ? (channel == "left" ? -1.5 : -2.5) : 0.0;
      if (channel == "right" && x == 200.0) point.y.reset();
      point.uncertainty = 0.02;
      if (x == 20000.0) point.limited_by = "sound_card";
      curve.points.push_back(point);
    }
    findings.curves.push_back(curve);
  }
  return findings;
}

inline RecordingFindings sample_recording(const std::string& path) {
  RecordingFindings recording;
  recording.path = path;
  recording.sample_rate_hz = 48000;
  recording.channels = 2;
  recording.duration_s = 11;
  recording.findings = {sample_tone()};
  recording.summary = {sample_response()};
  recording.cautions = {{"mono_input", "both channels are the same", "", std::nullopt}};
  return recording;
}

inline RecordingFindings broken_recording(const std::string& path) {
  RecordingFindings recording;
  recording.path = path;
  recording.error = path + ": not an audio file; record it again";
  return recording;
}

}  // namespace sinewright
