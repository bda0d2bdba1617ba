# SPDX-License-Identifier: GPL-3.0-or-later
"""Signals, and bands by a general library, that tests of the stroke finder's loops share."""

import numpy as np
from scipy.signal import lfilter

from dsp.hits.rises import band_sections

RATE = 48_000
BANDS = ((400.0, 900.0), (900.0, 2700.0), (2700.0, 8000.0))
B, A = band_sections(BANDS, RATE, 0.5)


def noise(frames=900, seed=5):
    return np.random.default_rng(seed).standard_normal(frames)


def stroke_in_noise(at=400, frames=900, gain=20.0):
    x = noise(frames)
    x[at:] += gain * noise(frames - at, seed=6) * np.exp(-np.arange(frames - at) / 200)
    return x


def banded(x, b, a):
    """Each band by a general library, two sections in series from rest, (n, bands)."""
    columns = []
    for k in range(b.shape[2]):
        once = lfilter(b[0, :, k], [1, *a[0, :, k]], x)
        columns.append(lfilter(b[1, :, k], [1, *a[1, :, k]], once))
    return np.stack(columns, axis=1)
