"""The bench check against real streams that a sound server alters, and one that it does not.

Runs the program beside PulseAudio null sinks (scripts/with-pulse) at the stream's own rate, at other
rates (the server resamples), with one channel (mixed to mono), with 16-bit samples, and with the
sink's volume moved in the midst. No outside values: what each server was told to do is the truth.

usage: altered_streams.py SINEWRIGHT WITH_PULSE
"""

import concurrent.futures
import json
import os
import subprocess
import sys
import tempfile

DEVICE_TROUBLE = 4  # a busy machine starves a server; then it is tried anew
ATTEMPTS = 3

PROFILE = """version = 1
name = "loop through a null sink"
[sound_card]
input_device = "bench"
output_device = "bench"
sample_rate_hz = 48000
input_full_scale_vrms = 1.0
output_full_scale_vrms = 1.0
[[range]]
name = "direct"
ratio = 1.0
[load]
resistance_ohm = 8.0
rated_w = 10.0
[limits]
power_limit_w = 1.0
"""


def check(program, with_pulse, settings, meanwhile=None):
    """Exit code and caution codes of one check, on a server with these settings."""
    with tempfile.TemporaryDirectory() as folder:
        profile = os.path.join(folder, "bench.toml")
        with open(profile, "w", encoding="utf-8") as file:
            file.write(PROFILE)
        command = [program, "calibrate", "check", "--bench", profile, "--confirmed", "--json"]
        if meanwhile:
            command = ["sh", "-c", f"({meanwhile}) & exec \"$@\"", "sh", *command]
        for _ in range(ATTEMPTS):
            run = subprocess.run([with_pulse, *command], env={**os.environ, **settings},
                                 capture_output=True, text=True, timeout=120, check=False)
            if run.returncode != DEVICE_TROUBLE:
                break
    try:
        document = json.loads(run.stdout)
    except json.JSONDecodeError:
        sys.exit(f"no JSON on stdout, exit code {run.returncode}: {run.stderr}")
    findings = document["findings"][0] if "findings" in document else document
    return run.returncode, {c["code"] for c in findings["cautions"]}, findings


CASES = [
    # name, server, what happens meanwhile, codes that must appear, exit code
    ("own rate, float samples", {}, None, set(), 0),
    ("44.1 kHz: resampled", {"SINEWRIGHT_TEST_RATE": "44100"}, None, {"stream_altered"}, 5),
    ("96 kHz: resampled", {"SINEWRIGHT_TEST_RATE": "96000"}, None, {"stream_altered"}, 5),
    ("one channel: mixed to mono", {"SINEWRIGHT_TEST_CHANNELS": "1"}, None, {"mono_input"}, 5),
    ("16-bit samples", {"SINEWRIGHT_TEST_FORMAT": "s16le"}, None, {"coarse_samples"}, 0),
    ("gain moved by 1 dB in the midst", {},
     "sleep 9; pactl set-sink-volume bench -1dB", {"stream_altered"}, 5),
]


def main():
    program, with_pulse = sys.argv[1:3]
    failures = 0
    # Each has a server of its own and mostly waits; more at once, and a busy machine starves one.
    with concurrent.futures.ThreadPoolExecutor(3) as pool:
        runs = list(pool.map(lambda case: check(program, with_pulse, case[1], case[2]), CASES))
    for (name, _, _, expected, code), (got_code, codes, findings) in zip(CASES, runs):
        surprising = codes - {"not_calibrated", "shared_output"}
        good = expected <= codes and got_code == code and (expected or not surprising)
        print(f"{'ok  ' if good else 'FAIL'} {name}: exit {got_code}, {sorted(surprising)}")
        if not good:
            failures += 1
            print("     ", {r["key"] + "/" + r["channel"]: r["value"] for r in findings["readings"]})
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
