#!/usr/bin/env python3
"""The figures of `sinewright analyze` as one would write them with scipy: scipy_equivalent.py FILE...

Block by block of one second, both channels: frequency, level, THD, THD+N, noise, A-weighted noise.
Files side by side, one process a core. Leaves out what makes up half of the program: finding where
the signal holds still, the notch path, drift, disturbances, peaks between samples, 468 weighting.
"""
import multiprocessing
import sys

import numpy as np
from scipy import fft, signal
from scipy.io import wavfile


def weights_of(rate, n):
    f = np.maximum(fft.rfftfreq(n, 1 / rate), 1e-3)
    a = 12194.217**2 * f**4 / ((f**2 + 20.599**2) * (f**2 + 12194.217**2) *
                               np.sqrt((f**2 + 107.653**2) * (f**2 + 737.862**2))) * 1.258925
    return (f >= 20) & (f <= 20000), a**2


def fitted_tone(x, rate, guess):
    """Least squares at the frequency that a few Gauss-Newton steps settle on; the rest."""
    t = np.arange(len(x)) / rate
    w = 2 * np.pi * guess
    slope = np.zeros(3)
    for _ in range(4):
        c, s = np.cos(w * t), np.sin(w * t)
        matrix = np.stack([c, s, np.ones_like(t), t * (slope[1] * c - slope[0] * s)], axis=1)
        if not slope.any():
            matrix = matrix[:, :3]
        solution = np.linalg.solve(matrix.T @ matrix, matrix.T @ x)
        if len(solution) == 4:
            w += solution[3]
        slope = solution[:3]
    return w / (2 * np.pi), solution, x - matrix[:, :3] @ solution[:3]


def block_figures(x, rate, window, band, a_weight):
    n = len(x)
    peak = 1 + np.argmax(np.abs(fft.rfft(x * window))[1:])
    f, solution, rest = fitted_tone(x, rate, peak * rate / n)
    tone = (solution[0]**2 + solution[1]**2) / 2
    power = 2 * np.abs(fft.rfft(rest * window))**2 / (n * np.sum(window**2))
    harmonics = 0.0
    for order in range(2, int(20000 / f) + 1):
        middle = int(round(order * f * n / rate))
        lobe = slice(middle - 4, middle + 5)
        harmonics += np.sum(power[lobe])
        power[lobe] = np.median(power[middle - 30:middle + 31])
    return f, tone, harmonics, np.sum(power[band]), np.sum((power * a_weight)[band])


def analyse(path):
    rate, x = wavfile.read(path)
    x = x.reshape(len(x), -1) / 2.0**31
    window = signal.windows.nuttall(rate, sym=False)
    band, a_weight = weights_of(rate, rate)
    result = []
    for channel in x.T:
        blocks = [block_figures(channel[i:i + rate], rate, window, band, a_weight)
                  for i in range(0, len(channel) - rate + 1, rate)]
        f, tone, harmonics, noise, noise_a = np.mean(blocks, axis=0)
        with np.errstate(divide="ignore"):  # no harmonic in band
            result.append((f, 10 * np.log10(2 * tone), 10 * np.log10(harmonics / tone),
                           10 * np.log10((harmonics + noise) / (tone + harmonics + noise)),
                           10 * np.log10(2 * noise), 10 * np.log10(2 * noise_a)))
    return path, result


if __name__ == "__main__":
    with multiprocessing.Pool() as pool:
        for path, channels in pool.imap(analyse, sys.argv[1:]):
            print(path, *(f"{value:.4f}" for channel in channels for value in channel))
