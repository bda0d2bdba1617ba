# SPDX-License-Identifier: GPL-3.0-or-later
"""From points in decibels to gain per sample, and gain onto audio."""

import math

from dsp.kernels.loading import kernel

# Gains between points are stepped by multiplication and set afresh at each multiple of this many
# samples from the start of the take, so a gain never depends on where a block begins.
ANCHOR = 1024
NEPER_PER_DB = math.log(10.0) / 20.0


@kernel
def gains_between(at, db, first, out):
    """Amplitude gains of samples first … first + n − 1, linear in dB between points.

    at (p,) sample positions, increasing; db (p, k); before the first and after the last point
    the curve is constant; out (n, k). `first` must be a multiple of ANCHOR.
    """
    n, bands = out.shape
    points = at.shape[0]
    segment = 0
    while segment < points and at[segment] <= first:
        segment += 1
    i = 0
    while i < n:
        position = first + i
        while segment < points and at[segment] <= position:
            segment += 1
        stop = min(n, i + ANCHOR - position % ANCHOR)
        if segment < points and at[segment] - first < stop:
            stop = at[segment] - first
        for k in range(bands):
            if segment == 0 or segment == points:
                level = db[0, k] if segment == 0 else db[points - 1, k]
                gain = math.exp(level * NEPER_PER_DB)
                ratio = 1.0
            else:
                left = db[segment - 1, k]
                slope = (db[segment, k] - left) / (at[segment] - at[segment - 1])
                gain = math.exp((left + slope * (position - at[segment - 1])) * NEPER_PER_DB)
                ratio = math.exp(slope * NEPER_PER_DB) if slope != 0.0 else 1.0
            for j in range(i, stop):
                out[j, k] = gain
                gain *= ratio
        i = stop


@kernel
def add_band_differences(x, bands, first, gains, out):
    """Out = x + Σ_k (gain_k − 1)·band_k, from sample `first` of x on.

    x (m,); bands (k, m); gains (n, k); out (n,), n ≤ m − first.
    """
    n, count = gains.shape
    for i in range(n):
        change = 0.0
        for k in range(count):
            change += (gains[i, k] - 1.0) * bands[k, first + i]
        out[i] = x[first + i] + change


@kernel
def mix_splits(x, below, first, gains, out):
    """Out = Σ_k gain_k·band_k where band_k lies between crossovers k − 1 and k.

    From sample `first` of x (m,) on; below (c, m) holds what lies below each of the c crossovers;
    gains (n, c + 1); out (n,), n ≤ m − first. The sum is telescoped,
    gain_c·x + Σ_k (gain_k − gain_{k+1})·below_k, so that equal gains in all bands are exactly one
    gain on x.
    """
    n = gains.shape[0]
    crossovers = below.shape[0]
    for i in range(n):
        total = gains[i, crossovers] * x[first + i]
        for k in range(crossovers):
            total += (gains[i, k] - gains[i, k + 1]) * below[k, first + i]
        out[i] = total
