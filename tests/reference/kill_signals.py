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
import time

RATE_HZ = 48000
FREQUENCY_HZ = 997
LEVEL_DBFS = -6
RAMP = 480  # the shortest: 10 ms
# Code as documented: finished readings and a tone end well, one reading not finished does not.
COMMANDS = {
    "tone": (["tone"], (0,)),
    "measure": (["measure", "--follow", "--duration", "0.2"], (0,)),
    "response": (["response", "--from", "500", "--to", "1500", "--steps-per-octave", "12"], (1,)),
}
SIGNALS = {
    "tone": (signal.SIGINT, signal.SIGTERM, signal.SIGHUP),
    "measure": (signal.SIGTERM,),
    "response": (signal.SIGINT, signal.SIGHUP),
}


def record(program, arguments, sent, after_s):
    """Mono samples of all that was played, and the exit code."""
    recorder = subprocess.Popen(
        ["parec", "--device=bench.monitor", "--format=float32le", f"--rate={RATE_HZ}",
         "--channels=1", "--latency-msec=20"], stdout=subprocess.PIPE)
    time.sleep(0.3)
    process = subprocess.Popen(
        [program, *arguments, "--level", str(LEVEL_DBFS), "--rate", str(RATE_HZ)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(after_s)
    process.send_signal(sent)
    code = process.wait(timeout=20)
    time.sleep(0.5)
    recorder.terminate()
    raw = recorder.stdout.read()
    recorder.wait()
    samples = array.array("f")
    samples.frombytes(raw[: len(raw) // 4 * 4])
    return samples, code


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
    for name, (arguments, codes) in COMMANDS.items():
        tone = [] if name == "response" else ["--frequency", str(FREQUENCY_HZ)]
        for sent in SIGNALS[name]:
            after_s = chance.uniform(2.2, 3.2)
            samples, code = record(program, arguments + tone, sent, after_s)
            found = problems_of(samples)
            if code not in codes:
                found.append(f"exit code {code}, not {codes[0]}")
            for problem in found:
                print(f"{name}, {sent.name} after {after_s:.2f} s: {problem}")
            failed += len(found)
    print(f"{failed} wrong of {sum(map(len, SIGNALS.values()))} ends")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
