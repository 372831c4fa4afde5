#!/usr/bin/env python3
"""Signals to the program while it plays: the output must end in a ramp, not in a step.

Usage: scripts/with-pulse kill_signals.py PROGRAM. What the null sink is given is recorded from its
monitor. Prints each end that is wrong; exits with 1 when one is.

SIGKILL is not among them: nothing can ramp after it (docs/safety.md).
"""
import array
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import time

RATE_HZ = 48000
FREQUENCY_HZ = 997
LEVEL_DBFS = -6
RAMP = 480  # the shortest: 10 ms
TONE = ["--frequency", str(FREQUENCY_HZ), "--level", str(LEVEL_DBFS)]
METER = ["--meter-percent", "1", "--meter-digits", "1", "--meter-resolution", "0.001",
         "--meter-left", "1.002", "--meter-right", "1.002", "--confirmed"]
# A name, arguments, the exit code documented (what goes on until it is stopped ends well, what has an
# end of its own does not), within which seconds of the start it is stopped, and by what.
RUNS = (
    ("tone", ["tone", *TONE], 0, (1.2, 2.2), (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)),
    ("measure", ["measure", "--follow", "--duration", "0.2", *TONE], 0, (0.7, 2.2),
     (signal.SIGTERM, signal.SIGQUIT)),
    ("measure, a count", ["measure", "--count", "99", *TONE], 1, (0.9, 2.2), (signal.SIGINT,)),
    ("response", ["response", "--from", "500", "--to", "1500", "--steps-per-octave", "12",
                  "--level", str(LEVEL_DBFS)], 1, (1.2, 2.2), (signal.SIGINT, signal.SIGQUIT)),
    ("calibrate input", ["calibrate", "input", *METER, "--drive", str(LEVEL_DBFS)],
     1, (0.9, 2.4), (signal.SIGINT, signal.SIGTERM)),
    ("calibrate loopback", ["calibrate", "loopback", "--confirmed"], 1, (1.5, 3.5),
     (signal.SIGHUP, signal.SIGQUIT)),
    ("calibrate check", ["calibrate", "check", "--confirmed"], 1, (1.2, 3.5),
     (signal.SIGINT, signal.SIGTERM)),
)
# The null sink comes back as it is: a divider of 1.
PROFILE = """version = 1
name = "Null sink"
[sound_card]
sample_rate_hz = 48000
input_full_scale_vrms = 2.0
output_full_scale_vrms = 2.0
[[range]]
name = "wire"
ratio = 1.0
[load]
resistance_ohm = 8.0
rated_w = 150.0
[limits]
power_limit_w = 90.0
"""


def arguments_of(name, arguments, profile):
    """Of one run: a calibration takes the rate from its profile."""
    if not name.startswith("calibrate"):
        return [*arguments, "--rate", str(RATE_HZ)]
    return [*arguments, "--bench", profile]


def record(program, arguments, sent, after_s):
    """Mono samples of all that was played, the exit code, and what was said on stderr."""
    recorder = subprocess.Popen(
        ["parec", "--device=bench.monitor", "--format=float32le", f"--rate={RATE_HZ}",
         "--channels=1", "--latency-msec=20"], stdout=subprocess.PIPE)
    time.sleep(0.2)
    process = subprocess.Popen([program, *arguments], stdin=subprocess.DEVNULL,
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    time.sleep(after_s)
    process.send_signal(sent)
    said = process.communicate(timeout=20)[1].decode().strip()
    time.sleep(0.3)
    recorder.terminate()
    raw = recorder.stdout.read()
    recorder.wait()
    samples = array.array("f")
    samples.frombytes(raw[: len(raw) // 4 * 4])
    return samples, process.returncode, said


def problems_of(samples):
    sounding = [n for n, x in enumerate(samples) if abs(x) > 1e-4]
    if not sounding:
        return ["nothing was played: killed too early"]
    found = []
    if len(samples) - sounding[-1] < RATE_HZ // 20:
        found.append("does not end in silence")
    highest = max(abs(x) for x in samples)
    # The steepest tone swept has 1500 Hz.
    steepest = 2 * math.sin(math.pi * 1500 / RATE_HZ) + math.pi / RAMP
    step = max(abs(b - a) for a, b in zip(samples, samples[1:]))
    if step > highest * steepest * 1.01:
        found.append(f"a step of {step:.3f}, {highest * steepest:.3f} at the most")
    # A ramp of a raised cosine: half way down, 5 ms before the end, it is not yet loud again.
    end = sounding[-1]
    late = max(abs(x) for x in samples[end - 48:end + 1])
    if late > 0.2 * highest:
        found.append(f"{late / highest:.2f} of the amplitude in its last millisecond: no ramp")
    return found


def main(program):
    if os.environ.get("SINEWRIGHT_TEST_HOST") != "pulse":
        sys.exit("start this by scripts/with-pulse")
    chance = random.Random(1962)
    failed = 0
    ends = 0
    with tempfile.TemporaryDirectory() as folder:
        profile = os.path.join(folder, "bench.toml")
        with open(profile, "w", encoding="utf-8") as file:
            file.write(PROFILE)
        for name, arguments, expected, (earliest_s, latest_s), signals in RUNS:
            for sent in signals:
                after_s = chance.uniform(earliest_s, latest_s)
                samples, code, said = record(
                    program, arguments_of(name, arguments, profile), sent, after_s)
                found = problems_of(samples)
                if code != expected:
                    found.append(f"exit code {code}, not {expected}: {said}")
                for problem in found:
                    print(f"{name}, {sent.name} after {after_s:.2f} s: {problem}")
                failed += len(found)
                ends += 1
        with open(profile, encoding="utf-8") as file:
            if file.read() != PROFILE or os.listdir(folder) != ["bench.toml"]:
                print("a calibration that was stopped has written something")
                failed += 1
    print(f"{failed} wrong of {ends} ends")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
