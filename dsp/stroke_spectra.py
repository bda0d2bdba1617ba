# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes as two microphones hear them, as spectra, and how alike those are at each lag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap, Positions
from dsp.take import Samples

BEFORE_S = 0.001
SOFTEST_DB = -10.0  # re the typical full stroke
APART_S = 0.07
MOST_STROKES = 64

Values = NDArray[np.float64]
Spectrum = NDArray[np.complex128]


def clear_strokes(hits: HitMap) -> Positions:
    """Onsets of full strokes with no other stroke near, the strongest first come, in order."""
    apart = round(APART_S * hits.rate)
    gaps = np.diff(hits.onset, prepend=-apart, append=hits.frames + apart)
    clear = (gaps[1:] >= apart) & (gaps[:-1] >= apart)
    clear &= ~hits.ghost & (hits.strength_db >= SOFTEST_DB)
    chosen = np.flatnonzero(clear)
    strongest = chosen[np.argsort(-hits.strength_db[chosen], kind="stable")][:MOST_STROKES]
    return hits.onset[np.sort(strongest)]


def stroke_spectra(
    reference: Samples,
    other: Samples,
    onsets: Positions,
    rate: int,
    body_s: float,
    lag: int,
    far: int,
) -> tuple[Spectrum, Spectrum]:
    """Spectra (strokes, bins) of each stroke in both microphones; silent ones are left out.

    The other microphone is heard `lag` samples later, and from `far` before to `far` after; a
    correlation of the two has its zero at `lag`.
    """
    before, body = round(BEFORE_S * rate), round(body_s * rate)
    rise = np.sin(np.pi / 2 * (np.arange(before) + 0.5) / before) ** 2
    fall = np.cos(np.pi / 2 * (np.arange(body) + 0.5) / body) ** 2
    short = np.concatenate([rise, fall])
    long = np.concatenate([rise, np.ones(2 * far), fall])
    length = 1 << int(np.ceil(np.log2(len(long) + len(short))))
    found = []
    for onset in onsets:
        a = short * _cut(reference, int(onset) - before, len(short))
        b = long * _cut(other, int(onset) - before + lag - far, len(long))
        if a.any() and b.any():
            placed = np.roll(np.pad(b, (0, length - len(b))), -far)
            found.append((np.fft.rfft(a, length), np.fft.rfft(placed)))
    both = np.array(found).reshape(len(found), 2, length // 2 + 1)
    return both[:, 0], both[:, 1]


def _cut(samples: Samples, start: int, count: int) -> Values:
    """Part of a track as one channel, silence outside of the take."""
    inside = samples[max(start, 0) : max(start + count, 0)].mean(axis=1)
    ahead = min(max(-start, 0), count)
    return np.pad(inside, (ahead, count - ahead - len(inside)))


def band(spectra: Spectrum, rate: int, low_hz: float, high_hz: float) -> Values:
    """Weight of each bin of spectra (strokes, bins), with soft edges and no phase."""
    hz = np.arange(spectra.shape[1]) * rate / (2 * (spectra.shape[1] - 1))
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / (1.0 + (low_hz / hz) ** 8) / (1.0 + (hz / high_hz) ** 8))


def likeness(a: Spectrum, b: Spectrum, weight: Values) -> Values:
    """Phase-transform correlation of each stroke by lag (strokes, 2 · bins − 2), −1 to 1.

    Negative lags stand at the end.
    """
    cross = b * np.conj(a)
    cross *= weight / np.maximum(np.abs(cross), np.finfo(float).tiny)
    return np.asarray(np.fft.irfft(cross, axis=1) / np.fft.irfft(weight)[0])
