# SPDX-License-Identifier: GPL-3.0-or-later
"""From points in decibels to gain per sample, and gain onto audio."""

import math

from dsp.kernels.loading import kernel

# Gains between points are stepped by multiplication and set afresh at each multiple of this many
# samples from the start of the take, so a gain never depends on where a block begins.
ANCHOR = 1024
NEPER_PER_DB = math.log(10.0) / 20.0


@kernel
def _stretch(at, segment, position, count):
    """The next point at or after `segment` that lies behind `position`, and the samples until it.

    At most `count`, and no further than the next multiple of ANCHOR.
    """
    points = at.shape[0]
    while segment < points and at[segment] <= position:
        segment += 1
    count = min(count, ANCHOR - position % ANCHOR)
    if segment < points:
        count = min(count, at[segment] - position)
    return segment, count


@kernel
def _gain_at(at, db, segment, position, k):
    """Gain of band k at `position`, before the point `segment`, and its ratio to the one before."""
    points = at.shape[0]
    if segment == 0 or segment == points:
        level = db[0, k] if segment == 0 else db[points - 1, k]
        return math.exp(level * NEPER_PER_DB), 1.0
    left = db[segment - 1, k]
    slope = (db[segment, k] - left) / (at[segment] - at[segment - 1])
    gain = math.exp((left + slope * (position - at[segment - 1])) * NEPER_PER_DB)
    return gain, math.exp(slope * NEPER_PER_DB) if slope != 0.0 else 1.0


@kernel
def gains_between(at, db, position, out):
    """Amplitude gains of samples `position` … `position` + n − 1, linear in dB between points.

    at (p,) sample positions, increasing; db (p, k); before the first and after the last point
    the curve is constant; out (n, k). `position` must be a multiple of ANCHOR.
    """
    n, bands = out.shape
    segment = i = 0
    while i < n:
        segment, count = _stretch(at, segment, position + i, n - i)
        for k in range(bands):
            gain, ratio = _gain_at(at, db, segment, position + i, k)
            for j in range(i, i + count):
                out[j, k] = gain
                gain *= ratio
        i += count


@kernel
def add_band_differences(x, bands, first, at, db, position, out):
    """Out = x + Σ_k (gain_k − 1)·band_k, from sample `first` of x on.

    x (m,); bands (k, m); at (p,), db (p, k) and `position` as in `gains_between`; out (n,),
    n ≤ m − first.
    """
    n, count = out.shape[0], bands.shape[0]
    segment = i = 0
    while i < n:
        segment, length = _stretch(at, segment, position + i, n - i)
        stop = i + length
        for j in range(i, stop):
            out[j] = 0.0
        for k in range(count):
            gain, ratio = _gain_at(at, db, segment, position + i, k)
            if gain == 1.0 and ratio == 1.0:
                continue
            for j in range(i, stop):
                out[j] += (gain - 1.0) * bands[k, first + j]
                gain *= ratio
        for j in range(i, stop):
            out[j] += x[first + j]
        i = stop


@kernel
def mix_splits(x, below, first, at, db, position, out):
    """Out = Σ_k gain_k·band_k where band_k lies between crossovers k − 1 and k.

    From sample `first` of x (m,) on; below (c, m) holds what lies below each of the c crossovers;
    at (p,), db (p, c + 1) and `position` as in `gains_between`; out (n,), n ≤ m − first. The sum
    is telescoped, gain_c·x + Σ_k (gain_k − gain_{k+1})·below_k, so that equal gains in all bands
    are exactly one gain on x.
    """
    n, crossovers = out.shape[0], below.shape[0]
    segment = i = 0
    while i < n:
        segment, length = _stretch(at, segment, position + i, n - i)
        stop = i + length
        gain, ratio = _gain_at(at, db, segment, position + i, crossovers)
        for j in range(i, stop):
            out[j] = gain * x[first + j]
            gain *= ratio
        upper, rising = _gain_at(at, db, segment, position + i, 0)
        for k in range(crossovers):
            gain, ratio = upper, rising
            upper, rising = _gain_at(at, db, segment, position + i, k + 1)
            if gain == upper and ratio == rising:
                continue
            above = upper
            for j in range(i, stop):
                out[j] += (gain - above) * below[k, first + j]
                gain *= ratio
                above *= rising
        i = stop
