#!/usr/bin/env python3
"""Times whole commands of the program beside references measured in the same run: commands.py BUILD

Prints a row for each: what, measured, reference, ratio. Every time is the best of several runs,
for other work on the machine can only add.
"""
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time

import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
SCENARIO = str(ROOT / "calibration/larkfield-lr62-as-left.toml")
PROFILE = str(ROOT / "calibration/simulated-bench.toml")
BENCH = ["--bench", PROFILE, "--simulate", SCENARIO, "--simulated-volume", "-21"]
RATE = 96000


def run(command):
    """Wall seconds, processor seconds, peak memory in MiB, and what was printed."""
    with tempfile.NamedTemporaryFile("r") as usage:
        # Through time(1): a child's peak as this process sees it would include this process's own.
        timed = ["/usr/bin/time", "-o", usage.name, "-f", "%U %S %M", *command]
        began = time.monotonic()
        process = subprocess.run(timed, stdout=subprocess.PIPE, check=False)
        wall = time.monotonic() - began
        if process.returncode != 0:
            sys.exit(f"failed: {' '.join(command[:6])} ...")
        user, system, peak_kib = map(float, usage.read().split())
    return wall, user + system, peak_kib / 1024, process.stdout


def best(command, times=3):
    return min(run(command)[0] for _ in range(times))


def row(what, measured, reference="", ratio=""):
    print(f"{what:52} {measured:>14} {reference:>30} {ratio:>9}", flush=True)


def write_recording(path, seconds, frequency):
    """Stereo, 24 bits in effect: 32-bit words whose last byte is zero would cheat the decoder, so
    three-byte samples are packed by hand."""
    t = np.arange(RATE * seconds) / RATE
    x = 0.5 * np.cos(2 * np.pi * frequency * t) + 1e-4 * np.cos(4 * np.pi * frequency * t)
    noise = 1e-5 * np.random.default_rng(1).standard_normal((len(t), 2))
    words = np.round((x[:, None] + noise) * 2**23).astype("<i4")
    data = words.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    header = b"RIFF" + (36 + len(data)).to_bytes(4, "little") + b"WAVEfmt " + (16).to_bytes(4, "little")
    header += b"".join(v.to_bytes(n, "little") for v, n in
                       [(1, 2), (2, 2), (RATE, 4), (RATE * 6, 4), (6, 2), (24, 2)])
    path.write_bytes(header + b"data" + len(data).to_bytes(4, "little") + data)


def batch(program, reference, folder):
    paths = []
    for i in range(60):
        path = folder / f"bench-{i:02}.wav"
        if i < 6:
            write_recording(path, 10, [40, 315, 997, 3150, 6300, 15000][i])
        else:
            path.write_bytes((folder / f"bench-{i % 6:02}.wav").read_bytes())
        paths.append(str(path))
    threads = os.cpu_count()
    ours = best([program, "analyze", "--json", *paths])
    decode = best([reference, str(threads), *paths])
    row("analyze 60 WAVs of 10 s, 96 kHz, 24 bits, stereo", f"{ours:.2f} s", f"decode + FFT {decode:.2f} s",
        f"{ours / decode:.2f} x")
    scipy = best(["/usr/bin/python3", str(ROOT / "tests/benchmark/scipy_equivalent.py"), *paths], 1)
    row("  the same", f"{ours:.2f} s", f"scipy script {scipy:.2f} s", f"{ours / scipy:.2f} x")
    for path in paths:
        os.unlink(path)


def memory(program, folder):
    peaks = {}
    for minutes in (1, 60):
        path = folder / "long.wav"
        write_recording(path, 60, 997)
        data = path.read_bytes()
        size = (len(data) - 44) * minutes
        with path.open("wb") as file:
            file.write(data[:4] + (36 + size).to_bytes(4, "little") + data[8:40] + size.to_bytes(4, "little"))
            for _ in range(minutes):
                file.write(data[44:])
        wall, _, peaks[minutes], _ = run([program, "analyze", "--json", str(path)])
        row(f"peak memory, {minutes} min file", f"{peaks[minutes]:.0f} MiB", f"1 min {peaks[1]:.0f} MiB",
            f"{peaks[minutes] / peaks[1]:.2f} x")
        row("  analyze of it", f"{wall:.2f} s", f"its length {60 * minutes} s", f"{wall / 60 / minutes:.4f} x")
        path.unlink()


def response(program):
    for option, name in (["--no-thd"], "level"), ([], "level and distortion"):
        wall, _, _, output = run([program, "response", *BENCH, "--real-time", "--json", *option])
        signal = json.loads(output)["findings"][0]["ended_s"]
        row(f"response, 31 points, {name}, real time", f"{wall:.2f} s", f"its signal {signal:.2f} s",
            f"{wall / signal:.3f} x")


def live(program):
    command = [program, "measure", *BENCH, "--frequency", "997", "--level", "-20", "--json", "--real-time",
               "--duration", "0.5", "--count"]
    first, start_cost, _, _ = run([*command, "1"])
    row("start to first reading, real time", f"{first:.2f} s", "aim 5 s", f"{first / 5:.2f} x")
    _, cost, _, _ = run([*command, "21"])
    row("live reading: processor time a second, bench and all", f"{(cost - start_cost) / 10 * 1000:.0f} ms",
        "one core 1000 ms", f"{(cost - start_cost) / 10:.3f} x")


def main(build):
    program = str(pathlib.Path(build) / "src/sinewright")
    reference = str(pathlib.Path(build) / "tests/decode_fft_reference")
    row("command", "measured", "reference", "ratio")
    with tempfile.TemporaryDirectory() as name:
        batch(program, reference, pathlib.Path(name))
        memory(program, pathlib.Path(name))
    response(program)
    live(program)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
