# SPDX-License-Identifier: GPL-3.0-or-later
"""Power by octave: of what lies between strokes, and of the strokes.

Octaves are those of IEC 61260-1 by base 2: centres 1000·2^k Hz, edges half an octave away. A band
takes whole bins of the spectrum, so the lowest ones are coarse.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.measures import gaps
from dsp.take import Samples

Values = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 62.5, 16_000.0
FRAME_S = 0.043  # bins of 23 Hz: enough for the lowest octave, short enough for gaps
STROKE_S = 0.17
LONGEST_RUN = 256  # frames transformed at once


def centres_hz(rate: int) -> list[float]:
    """Centres of the octaves that lie whole below half the rate."""
    centres = LOWEST_HZ * 2.0 ** np.arange(9)
    return [float(hz) for hz in centres if hz <= HIGHEST_HZ and hz * 2**0.5 <= rate / 2]


def gap_octaves(samples: Samples, hits: HitMap) -> Values | None:
    """Mean power in each octave between the strokes, mean of the channels; (octaves,).

    By Welch's method: half-overlapping frames under a Hann window. None where no gap holds a frame.
    """
    length = _frame(hits.rate)
    window = np.hanning(length + 1)[:-1]
    total, count = np.zeros(length // 2 + 1), 0
    for start, stop in zip(*gaps(hits), strict=True):
        for channel in samples[start:stop].T:
            if len(channel) < length:
                continue
            frames = sliding_window_view(channel, length)[:: length // 2]
            for first in range(0, len(frames), LONGEST_RUN):
                part = frames[first : first + LONGEST_RUN]
                total += (np.abs(np.fft.rfft(part * window)) ** 2).sum(axis=0)
                count += len(part)
    if count == 0:
        return None
    power = 2 * total / (count * length * float((window**2).sum()))
    return _by_octave(power, hits.rate, length)


def stroke_octaves(samples: Samples, hits: HitMap) -> Values | None:
    """Energy of the full strokes in each octave, as shares of their sum; (octaves,).

    A stroke counts from its onset, at most 170 ms, not into the next. None without energy.
    """
    length = 1 << (round(STROKE_S * hits.rate) - 1).bit_length()
    following = np.append(hits.onset[1:], hits.frames)[: len(hits)]
    stops = np.minimum(following, hits.onset + round(STROKE_S * hits.rate))
    total = np.zeros(length // 2 + 1)
    for index in np.flatnonzero(~hits.ghost):
        part = samples[hits.onset[index] : stops[index]]
        total += (np.abs(np.fft.rfft(part, length, axis=0)) ** 2).sum(axis=1)
    bands = _by_octave(total, hits.rate, length)
    whole = float(bands.sum())
    return bands / whole if whole > 0 else None


def _frame(rate: int) -> int:
    return 1 << round(float(np.log2(FRAME_S * rate)))


def _by_octave(power: Values, rate: int, length: int) -> Values:
    hz = np.arange(len(power)) * rate / length
    edges = [(centre / 2**0.5, centre * 2**0.5) for centre in centres_hz(rate)]
    return np.array([power[(hz >= low) & (hz < high)].sum() for low, high in edges])
