#!/usr/bin/env python3
"""The same tone through a sound server and through a file must read the same.

Usage, beside a server: scripts/with-jack live_against_file.py PROGRAM, or scripts/with-pulse.
Prints each figure that differs by more than its tolerance; exits with 1 when one does.

Both ways carry samples in 32-bit floats, so both end at the same floor of rounding.
"""
import json
import os
import pathlib
import subprocess
import sys
import tempfile

FREQUENCY_HZ = 997
LEVEL_DBFS = -3
TONE = ["--frequency", str(FREQUENCY_HZ), "--level", str(LEVEL_DBFS), "--rate", "48000"]
DEVICES = {"jack": ["--input", "loopback", "--output-device", "loopback"], "pulse": []}

# key, unit: tolerance between the two, and why
TOLERANCES = {
    ("fundamental", "dBFS"): 1e-6,  # samples are the same to 2^-24 of full scale
    ("level", "dBFS"): 1e-6,
    ("frequency", "Hz"): 1e-6,      # one clock on both sides, none at all in the file
    # Rounding is not white: which samples are taken decides how it spreads.
    ("thd_n", "dB"): 1.0,
}
FLOOR_DB = -150  # 32-bit floats leave -152


def run(program, *arguments):
    done = subprocess.run([program, *arguments], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        sys.exit(f"{' '.join(arguments[:3])} ...: exit {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def readings(findings):
    assert findings["measurement"] == "tone", findings["measurement"]
    return {(r["key"], r["unit"], r["channel"]): r["value"] for r in findings["readings"]}


def main(program):
    host = os.environ.get("SINEWRIGHT_TEST_HOST", "")
    if host not in DEVICES:
        sys.exit("start this by scripts/with-jack or scripts/with-pulse")
    with tempfile.TemporaryDirectory() as folder:
        path = str(pathlib.Path(folder) / "tone.wav")
        run(program, "tone", *TONE, "--duration", "3", "--format", "float32", "--write", path)
        batch = json.loads(run(program, "analyze", "--json", path))
        filed = readings(max(batch["recordings"][0]["findings"],
                             key=lambda f: f["ended_s"] - f["started_s"]))
    live_document = json.loads(run(program, "measure", *TONE, *DEVICES[host], "--duration", "2",
                                   "--count", "1", "--json"))
    live = readings(live_document["findings"][0])
    failed = 0
    for (key, unit), tolerance in TOLERANCES.items():
        for channel in ("left", "right"):
            ours, theirs = live[key, unit, channel], filed[key, unit, channel]
            if not abs(ours - theirs) <= tolerance:
                print(f"{host}: {key} {channel}: live {ours} {unit}, file {theirs} {unit}")
                failed += 1
    for channel in ("left", "right"):
        if not live["thd_n", "dB", channel] < FLOOR_DB:
            print(f"{host}: THD+N {channel} {live['thd_n', 'dB', channel]} dB, above {FLOOR_DB} dB")
            failed += 1
    print(f"{host}: {failed} figures differ between live and file")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
