# SPDX-License-Identifier: GPL-3.0-or-later
"""Level of a track over time in each band."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from dsp.filters import low_pass, stack
from dsp.kernels.bleed import levels_of, split_powers
from dsp.kernels.zero_phase import forward_backward
from dsp.take import Samples

Levels = NDArray[np.float32]
Values = NDArray[np.float64]

# Half an octave apart: narrow enough to tell a fundamental from a kick, wide enough that the
# bands' own filters ring for less than a stroke's attack.
CROSSOVERS_HZ = (
    75.0, 110.0, 160.0, 230.0, 320.0, 450.0, 630.0, 900.0, 1250.0, 1800.0, 2500.0, 3500.0, 5000.0,
    7000.0, 10_000.0, 14_000.0,
)  # fmt: skip
CENTRES_HZ = np.array(
    [
        CROSSOVERS_HZ[0] * 0.75,
        *np.sqrt(np.array(CROSSOVERS_HZ[1:]) * np.array(CROSSOVERS_HZ[:-1])),
        CROSSOVERS_HZ[-1] * 1.2,
    ]
)
FRAME_S = 64 / 48_000
BLOCK_FRAMES = 1024  # fixed, so that threads share the work without changing the result
SMOOTH_FRAMES, CALM_FRAMES = 5, 9
FLOOR_DB = -140.0


def frame_length(rate: int) -> int:
    """Samples in a frame."""
    return round(FRAME_S * rate)


def measure_levels(samples: Samples, rate: int) -> tuple[Levels, Levels]:
    """Level in dB of samples (frames, channels) in each band, channels added in power.

    Returns two arrays (frames, bands), smoothed over about 5 ms and about 12 ms.
    """
    hop = frame_length(rate)
    frames = max(-(-len(samples) // hop), 1)
    b, a, margin = stack([low_pass(hz, rate) for hz in CROSSOVERS_HZ])
    power = np.zeros((frames, len(CENTRES_HZ)), np.float32)

    def work(first: int) -> None:
        count = min(BLOCK_FRAMES, frames - first)
        part = np.empty((count, power.shape[1]))
        for channel in range(samples.shape[1]):
            x = _padded(samples[:, channel], first * hop - margin, count * hop + 2 * margin)
            below = np.empty((len(x), len(CROSSOVERS_HZ)))
            forward_backward(x, b, a, np.empty((2, len(CROSSOVERS_HZ))), below)
            split_powers(x, below, margin, hop, part)
            power[first : first + count] += part

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        list(pool.map(work, range(0, frames, BLOCK_FRAMES)))
    return _smoothed(power, SMOOTH_FRAMES), _smoothed(power, CALM_FRAMES)


def _padded(x: Values, start: int, count: int) -> Values:
    """Samples from `start` on, silence where the track has none."""
    out = np.zeros(count)
    low, high = max(start, 0), min(start + count, len(x))
    if high > low:
        out[low - start : high - start] = x[low:high]
    return out


def _smoothed(power: Levels, count: int) -> Levels:
    window = np.hanning(count + 2)[1:-1]
    out = np.empty_like(power)
    levels_of(power, window / window.sum(), 10 ** (FLOOR_DB / 10), out)
    return out
