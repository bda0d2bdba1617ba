# SPDX-License-Identifier: GPL-3.0-or-later
"""The drum's tuning: its fundamental and its rings, measured from its strokes."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import Ring

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

FUNDAMENTAL_HZ = (110.0, 620.0)
WINDOW_S, SKIP_S = 0.085, 0.012
RESOLUTION_HZ = 1.0
MOST_STROKES = 48
BELOW_STRONGEST_DB = 9.0
PROMINENCE_DB = 4.0
OF_DRUM_DB = 25.0  # a track whose low modes lie further below its strongest sound is no drum's


def mode_spectrum(
    x: Sound, onsets: Positions, spans: Positions, rate: int
) -> tuple[Values, Values]:
    """Frequencies in Hz and the typical stroke's spectrum in dB, after the attack has passed.

    The median over strokes of what each one adds to what sounded before it, so that what sounds
    on, or with only some of them (a kick, a tom), leaves no peak. `spans` are the samples until
    the next event.
    """
    count, skip = round(WINDOW_S * rate), round(SKIP_S * rate)
    size = 1 << int(np.ceil(np.log2(rate / RESOLUTION_HZ)))
    alone = onsets[(spans > skip + count // 2) & (onsets + skip + count < len(x))]
    if len(alone) == 0:
        alone = onsets[onsets + skip + count < len(x)]
    chosen = alone[np.linspace(0, len(alone) - 1, min(len(alone), MOST_STROKES)).astype(int)]
    hz = np.fft.rfftfreq(size, 1 / rate)
    keep = hz < 5000
    if len(chosen) == 0:
        return np.asarray(hz[keep]), np.full(int(keep.sum()), -300.0)
    window = np.hanning(2 * count + 1)[count : 2 * count] * np.minimum(
        np.arange(count) / (0.004 * rate), 1
    )

    def work(onset: np.int64) -> Values:
        after = _power(x[onset + skip : onset + skip + count] * window, size)[keep]
        before = np.zeros(1)
        if onset >= count + skip:
            ahead = x[onset - count - skip // 2 : onset - skip // 2]
            before = _power(ahead * window[::-1], size)[keep]
        added = np.maximum(after - before, 0.05 * after)
        return np.asarray(10 * np.log10(added / max(added.sum(), 1e-300) + 1e-15))

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        rows = list(pool.map(work, chosen))
    return np.asarray(hz[keep]), np.asarray(np.median(rows, axis=0))


def _power(windowed: Values, size: int) -> Values:
    return np.asarray(np.abs(np.fft.rfft(windowed, size)) ** 2)


def find_fundamental(hz: Values, spectrum_db: Values) -> float:
    """The lowest mode that stands out: NaN where none does.

    Peaks between 110 and 620 Hz, prominent by 4 dB and within 9 dB of the strongest there; the
    lowest is the fundamental. A two-headed drum's other (0,1) mode lies above it and is not it.
    """
    peaks = _peaks(hz, spectrum_db, *FUNDAMENTAL_HZ)
    if not peaks:
        return float("nan")
    strongest = max(spectrum_db[i] for i in peaks)
    if strongest < spectrum_db.max() - OF_DRUM_DB:
        return float("nan")
    lowest = min(i for i in peaks if spectrum_db[i] > strongest - BELOW_STRONGEST_DB)
    return round(_interpolate(hz, spectrum_db, lowest), 2)


def _peaks(hz: Values, db: Values, low: float, high: float) -> list[int]:
    """Local maxima that rise PROMINENCE_DB above the valleys on both sides."""
    inside = np.flatnonzero((hz > low) & (hz < high))
    middle = db[1:-1]
    tops = np.flatnonzero((middle >= db[:-2]) & (middle > db[2:])) + 1
    found = []
    for top in tops[(tops >= inside[0]) & (tops <= inside[-1])]:
        left = _valley(db[top::-1], db[top])
        right = _valley(db[top:], db[top])
        if db[top] - max(left, right) >= PROMINENCE_DB:
            found.append(int(top))
    return found


def _valley(side: Values, top: float) -> float:
    """Lowest value before the side climbs above the top."""
    above = np.flatnonzero(side > top)
    return float(side[: above[0] if len(above) else len(side)].min())


def _interpolate(hz: Values, db: Values, i: int) -> float:
    a, b, c = db[i - 1 : i + 2]
    bend = a - 2 * b + c
    shift = 0.0 if bend == 0 else 0.5 * (a - c) / bend
    return float(hz[i] + shift * (hz[1] - hz[0]))


def find_rings(
    x: Sound, onsets: Positions, spans: Positions, fundamental: float, rate: int
) -> tuple[Ring, ...]:
    """Up to four modes above the fundamental that stand out 60 to 200 ms after the onset."""
    hz, early = mode_spectrum(x, onsets, spans, rate)
    rings = []
    tops = _peaks(hz, early, max(1.25 * fundamental, 250.0), 2500.0)
    tops.sort(key=lambda i: -early[i])
    for top in tops[:4]:
        at = _interpolate(hz, early, top)
        t60 = decay_time(x, onsets, spans, at, rate)
        if np.isfinite(t60):
            rings.append(Ring(round(at, 1), round(t60, 3)))
    return tuple(rings)


def decay_time(x: Sound, onsets: Positions, spans: Positions, hz: float, rate: int) -> float:
    """Seconds in which the mode at `hz` falls by 60 dB; NaN where no stroke is alone long enough.

    The mode's envelope, demodulated and averaged in power over strokes in frames of 10 ms, falls
    on a straight line in dB; the line is fitted from 15 ms until it meets the floor.
    """
    hop, frames = round(0.010 * rate), 24
    alone = onsets[(spans > hop * 12) & (onsets + hop * frames < len(x))][:MOST_STROKES]
    if len(alone) == 0:
        return float("nan")
    time = np.arange(4 * hop) / rate
    probe = np.hanning(4 * hop) * np.exp(-2j * np.pi * hz * time)
    span = {int(o): int(s) for o, s in zip(onsets, spans, strict=True)}
    total, count = np.zeros(frames - 4), np.zeros(frames - 4)
    for onset in alone:
        own = min(frames - 4, span[int(onset)] // hop - 4)
        decaying = x[onset + hop : onset + (own + 4) * hop]
        parts = np.lib.stride_tricks.sliding_window_view(decaying, 4 * hop)[::hop]
        total[:own] += np.abs((parts * probe).sum(axis=1)) ** 2
        count[:own] += 1
    known = count > 0
    level = 10 * np.log10(total[known] / count[known] + 1e-30)
    floor = level.min() + 3
    stop = int(np.argmax(level < floor)) if (level < floor).any() else len(level)
    if stop < 4:
        return float("nan")
    slope = np.polyfit(np.arange(stop) * hop / rate, level[:stop], 1)[0]
    return float(-60 / slope) if slope < -6 else float("nan")
