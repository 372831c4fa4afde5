#!/usr/bin/env python3
"""Whole recordings analysed by the program and, independently, by numpy and scipy.

Usage: scipy_recordings.py PROGRAM   Prints each figure that differs by more than its tolerance;
exits with 1 when one does.

The second computation shares nothing with the program: one least-squares fit over the whole
recording (no blocks, no window, no drift terms), frequency by a general optimiser, noise from one
plain DFT of what is left, weighting from the formula as printed in IEC 61672-1.
"""
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
from scipy import linalg, optimize
from scipy.io import wavfile

BAND_HZ = (20 * 0.997, 20000 * 1.003)  # edges inclusive, with the margin of docs/measurements.md
FULL_SCALE_RMS = np.sqrt(0.5)
HIGHEST_HARMONIC = 6  # the recordings hold no higher ones

# Two fits of the same samples differ by what noise does to the one that uses them less well.
TOLERANCES = {
    "frequency": 2e-5,    # Hz; noise of -100 dBc leaves 1e-6 Hz over 5 s
    "level": 0.0005,      # dB
    "fundamental": 0.0005,
    # dB; the strongest harmonic's own deviation is 0.008 dB in the noisiest recording, and a window
    # uses half of the samples
    "thd": 0.03,
    # dB; the same noise under windows with half the effective length: 5 standard deviations of
    # 10 lg(1 + sqrt(1 / (B T))) with B T = 20000 x 5 s
    "thd_n": 0.07,
    "noise": 0.07,
    # Weighted noise is narrower (about 10 kHz), so it spreads a little more.
    "snr_a": 0.1,
    "noise_a": 0.1,
    "balance": 0.0005,
    "phase": 0.002,       # degrees
    "dc_offset": 1e-6,    # full scale
    "hum": 0.02,          # dB; lines 50 dB above the noise of their bin
    "mains_frequency": 0.0005,  # Hz
}


def a_weighting(f):
    """IEC 61672-1, Annex E, 0 dB at 1 kHz; pole frequencies rounded as commonly printed."""
    def r(f):
        return 12194.217**2 * f**4 / ((f**2 + 20.598997**2) * (f**2 + 12194.217**2) *
                                      np.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2)))
    return r(f) / r(1000.0)


def dbfs(rms):
    return 20 * np.log10(rms / FULL_SCALE_RMS)


def basis(frequencies, count, rate):
    t = np.arange(count) / rate
    columns = [np.ones(count)]
    for f in frequencies:
        columns += [np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)]
    return np.stack(columns, axis=1)


def fit(x, rate, multiples, guess):
    """Sines at `multiples` of one frequency, which is found; amplitudes, offset, what is left."""
    def solve(f):
        # Normal equations: over thousands of periods the columns are all but orthogonal.
        columns = basis(multiples * f, len(x), rate)
        solution = linalg.solve(columns.T @ columns, columns.T @ x, assume_a="pos")
        return solution, x - columns @ solution

    def leaves(f):
        _, rest = solve(f)
        return np.dot(rest, rest)

    reach = 0.4 * rate / len(x)
    found = optimize.minimize_scalar(leaves, bounds=(guess - reach, guess + reach), method="bounded",
                                     options={"xatol": 1e-9 * guess})
    solution, rest = solve(found.x)
    return found.x, solution[1::2] - 1j * solution[2::2], solution[0], rest


def band_rms(x, rate, weight=None):
    f = np.fft.rfftfreq(len(x), 1 / rate)
    power = 2 * np.abs(np.fft.rfft(x))**2 / len(x)**2
    inside = (f >= BAND_HZ[0]) & (f <= BAND_HZ[1])
    return np.sqrt(np.sum((power * (1 if weight is None else weight(np.maximum(f, 1e-3))**2))[inside]))


def tone_figures(x, rate, guess):
    highest = min(HIGHEST_HARMONIC, int(BAND_HZ[1] // guess))
    f, phasors, offset, rest = fit(x, rate, np.arange(1, highest + 1), guess)
    rms = np.abs(phasors) / np.sqrt(2)
    harmonics = np.sqrt(np.sum(rms[1:]**2))
    noise = band_rms(rest, rate)
    total = np.sqrt(np.sum(rms**2) + noise**2)
    figures = {
        ("frequency", "Hz"): f,
        ("fundamental", "dBFS"): dbfs(rms[0]),
        ("level", "dBFS"): dbfs(total),
        ("thd_n", "dB"): 20 * np.log10(np.hypot(harmonics, noise) / total),
        ("noise", "dBFS"): dbfs(noise),
        ("snr_a", "dB"): 20 * np.log10(rms[0] / band_rms(rest, rate, a_weighting)),
        ("dc_offset", "FS"): offset,
    }
    if harmonics > 0.3 * noise:
        figures["thd", "dB"] = 20 * np.log10(harmonics / rms[0])
    return figures, phasors[0]


def hum_figures(x, rate, guess):
    f, phasors, offset, _ = fit(x, rate, np.arange(1, HIGHEST_HARMONIC + 1), guess)
    rms = np.abs(phasors) / np.sqrt(2)
    rest = x - offset
    return {
        ("noise", "dBFS"): dbfs(band_rms(rest, rate)),
        ("noise_a", "dBFS"): dbfs(band_rms(rest, rate, a_weighting)),
        ("hum", "dBFS"): dbfs(np.sqrt(np.sum(rms[[0, 1, 2, 3, 5]]**2))),
    }, f


def sines(rate, seconds, lines):
    t = np.arange(int(rate * seconds)) / rate
    return sum(a * np.cos(2 * np.pi * f * t + p) for f, a, p in lines)


def write(path, rate, channels, dtype, seed):
    """Rounds with triangular dither where `dtype` is an integer."""
    x = np.stack(channels, axis=1)
    if np.issubdtype(dtype, np.integer):
        full = -float(np.iinfo(dtype).min)
        random = np.random.default_rng(seed)
        dither = random.random(x.shape) - random.random(x.shape)
        x = np.clip(np.round(x * full + dither), -full, full - 1)
    wavfile.write(path, rate, np.squeeze(x).astype(dtype))


def read(path):
    rate, x = wavfile.read(path)
    full = -float(np.iinfo(x.dtype).min) if np.issubdtype(x.dtype, np.integer) else 1.0
    x = x.astype(float) / full
    return rate, x[:, None] if x.ndim == 1 else x


def make_recordings(folder):
    """Returns (name, kind, frequency near which to look)."""
    random = np.random.default_rng(1)

    def tone(rate, f, amplitude, harmonics, noise, phase=0.0, offset=0.0):
        lines = [(f, amplitude, phase)]
        lines += [(k * f, amplitude * a, k * phase + 0.7 * k) for k, a in harmonics]
        x = sines(rate, 5, lines) + offset
        return x + noise * random.standard_normal(len(x))

    low = [(2, 1e-3), (3, 3e-4), (5, 1e-4)]
    write(folder / "int16.wav", 44100, [tone(44100, 997, 0.5, low, 0)], np.int16, 2)
    write(folder / "int32.wav", 48000,
          [tone(48000, 314.159, 0.9, low, 1e-5), tone(48000, 314.159, 0.7, low[:2], 2e-5, 0.4, 0.01)],
          np.int32, 3)
    write(folder / "float32.wav", 96000,
          [tone(96000, 6299.9, 0.2, low, 1e-4), tone(96000, 6299.9, 0.25, low, 3e-5, -2.5)],
          np.float32, 4)
    write(folder / "double.wav", 48000, [tone(48000, 41.3, 0.1, low, 3e-5)], np.float64, 5)
    hum = sines(48000, 5, [(50.02, 1e-3, 0), (100.04, 4e-3, 1), (150.06, 5e-4, 2),
                           (200.08, 1e-3, 3), (300.12, 5e-4, 4)])
    write(folder / "hum.wav", 48000, [hum + 1e-4 * random.standard_normal(len(hum))], np.float64, 6)
    return [("int16.wav", "tone", 997), ("int32.wav", "tone", 314.159),
            ("float32.wav", "tone", 6299.9), ("double.wav", "tone", 41.3), ("hum.wav", "noise", 50.02)]


def expected_figures(path, kind, guess):
    """{(key, channel, unit): value}"""
    rate, x = read(path)
    names = ["left", "right"] if x.shape[1] == 2 else ["1"]
    expected, phasors = {}, []
    for c, name in enumerate(names):
        figures, extra = (tone_figures if kind == "tone" else hum_figures)(x[:, c], rate, guess)
        expected.update({(key, name, unit): value for (key, unit), value in figures.items()})
        phasors.append(extra)
    if kind == "noise":
        expected["mains_frequency", None, "Hz"] = phasors[0]
    elif len(names) == 2:
        expected["balance", "pair", "dB"] = 20 * np.log10(abs(phasors[0] / phasors[1]))
        expected["phase", "pair", "deg"] = np.degrees(np.angle(phasors[1] / phasors[0]))
    return expected


def differences(recording, kind, expected):
    """One line for each figure that is missing or differs too much, and how many were compared."""
    name = pathlib.Path(recording["path"]).name
    if recording["status"] != "ok" or len(recording["findings"]) != 1:
        return [f"{name}: {recording['error']}, {len(recording['findings'])} steady readings, not 1"]
    findings = recording["findings"][0]
    lines = [] if findings["measurement"] == kind else [f"{name}: taken for {findings['measurement']}"]
    for (key, channel, unit), value in expected.items():
        read_values = [r["value"] for r in findings["readings"]
                       if r["key"] == key and r["unit"] == unit and channel in (None, r["channel"])]
        if not read_values or read_values[0] is None:
            lines.append(f"{name}: {key} {channel} {unit}: no value, scipy has {value:.6f}")
        elif not abs(read_values[0] - value) <= TOLERANCES[key]:
            lines.append(f"{name}: {key} {channel}: {read_values[0]:.6f} {unit}, scipy has {value:.6f}, "
                         f"apart by {read_values[0] - value:+.2g}, allowed {TOLERANCES[key]:g}")
    return lines


def main(program):
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        cases = make_recordings(folder)
        paths = [str(folder / case[0]) for case in cases]
        run = subprocess.run([program, "analyze", "--json", *paths], capture_output=True, text=True)
        if run.returncode != 0:
            print(f"{program} analyze: exit code {run.returncode}\n{run.stderr}")
            return 1
        recordings = json.loads(run.stdout)["recordings"]
        problems, compared = [], 0
        for (file, kind, guess), recording in zip(cases, recordings, strict=True):
            expected = expected_figures(folder / file, kind, guess)
            compared += len(expected)
            problems += differences(recording, kind, expected)
    print(*problems, sep="\n")
    print(f"{compared} figures of {len(cases)} recordings compared, {len(problems)} differ")
    return 1 if problems else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1]))
