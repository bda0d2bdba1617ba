# SPDX-License-Identifier: GPL-3.0-or-later
"""Level and decay time of a drum's rings, measured over its full strokes.

The power in a narrow band around each ring is followed from 60 ms after the onset, when the stroke
itself is over, and averaged over the strokes. An exponential that falls into a steady floor,
p(t) = a·10^(−6t/T60) + c, is fitted by least squares of the relative error: the floor is the
bleed, which a straight line through decibels would mistake for a longer ring (Karjalainen,
Antsalo, Mäkivirta, Peltonen, Välimäki, JAES 50(11), 2002; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.filters import band_pass, stack
from dsp.hits.hitmap import HitMap
from dsp.kernels.zero_phase import forward_backward
from dsp.take import Samples

Values = NDArray[np.float64]

FIRST_S, LAST_S = 0.06, 0.2  # where a ring's level is taken
LONGEST_S = 0.6
FRAME_S = 0.004
LEAST_BAND_HZ = 60.0
RING_OUT = 8.0  # time constants of the band's filter after which it has forgotten a stroke
MOST_SAMPLES = 1_000_000  # bounds the work: about 40 strokes at 48 kHz
T60_S = np.geomspace(0.03, 6.0, 400)
LEAST_FALL_DB, LEAST_ABOVE_FLOOR_DB = 3.0, 6.0
MOST_ASTRAY_DB = 4.0  # a decay that a gain has bent has no decay time


@dataclass(frozen=True)
class RingMeasure:
    """One ring: RMS level from 60 to 200 ms after the onset, and seconds to fall by 60 dB.

    `strokes` is how many strokes it was measured on. None where it could not be measured; `note`
    says why.
    """

    hz: float
    level_dbfs: float | None
    t60_s: float | None
    strokes: int
    note: str = ""


def measure_rings(samples: Samples, hits: HitMap) -> tuple[tuple[RingMeasure, ...], list[str]]:
    """Measure each ring of `hits` in samples (frames, channels); notes tell what holds for all."""
    usable = [ring for ring in hits.rings if 0 < ring.hz < 0.45 * hits.rate]
    notes = [
        f"ring at {r.hz:.0f} Hz not measured: no such frequency at this rate"
        for r in hits.rings
        if r not in usable
    ]
    if not usable:
        return tuple(RingMeasure(ring.hz, None, None, 0) for ring in hits.rings), notes
    widths = [max(LEAST_BAND_HZ, ring.hz / 10) for ring in usable]
    tail_s = RING_OUT / (math.pi * min(widths))
    onsets, stops = _strokes_with_room(hits, tail_s)
    if len(onsets) == 0:
        notes.append("rings not measured: no full stroke has 200 ms to itself")
        return tuple(RingMeasure(ring.hz, None, None, 0) for ring in hits.rings), notes
    sections = [band_pass(r.hz, hits.rate, r.hz / w) for r, w in zip(usable, widths, strict=True)]
    b, a, _ = stack(sections)
    power = _band_power(samples, hits.rate, onsets, stops, tail_s, b, a)
    found = {}
    for index, ring in enumerate(usable):
        level, t60, reason = _decay(power[:, :, index], round(FRAME_S * hits.rate) / hits.rate)
        found[ring] = RingMeasure(ring.hz, level, t60, len(onsets), reason)
    return tuple(found.get(r, RingMeasure(r.hz, None, None, 0)) for r in hits.rings), notes


def _strokes_with_room(hits: HitMap, tail_s: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Onsets of full strokes and where their decay stops being their own.

    The filter runs both ways, so the next stroke must be further away than the filter rings.
    """
    following = np.append(hits.onset[1:], hits.frames)
    stops = np.minimum(
        following - round(tail_s * hits.rate), hits.onset + round(LONGEST_S * hits.rate)
    )
    chosen = np.flatnonzero(~hits.ghost & (stops - hits.onset >= round(LAST_S * hits.rate)))
    most = max(4, int(MOST_SAMPLES / (LONGEST_S * hits.rate)))
    if len(chosen) > most:
        chosen = chosen[np.arange(most) * len(chosen) // most]
    return hits.onset[chosen], stops[chosen]


def _band_power(
    samples: Samples,
    rate: int,
    onsets: NDArray[np.int64],
    stops: NDArray[np.int64],
    tail_s: float,
    b: Values,
    a: Values,
) -> Values:
    """Power (strokes, frames of 4 ms from 60 ms on, bands), mean of channels; NaN after a stop."""
    frame, first = round(FRAME_S * rate), round(FIRST_S * rate)
    longest = (round(LONGEST_S * rate) - first) // frame
    power = np.full((len(onsets), longest, b.shape[1]), np.nan)
    for row, (onset, stop) in enumerate(zip(onsets, stops, strict=True)):
        count = (stop - onset - first) // frame
        excerpt = samples[onset : stop + round(tail_s * rate)]
        total = np.zeros((count, b.shape[1]))
        for channel in excerpt.T:
            bands = np.empty((b.shape[1], len(excerpt)))
            forward_backward(np.ascontiguousarray(channel), b, a, bands)
            framed = bands[:, first : first + count * frame].reshape(-1, count, frame)
            total += np.einsum("bfs,bfs->fb", framed, framed) / frame
        power[row, :count] = total / excerpt.shape[1]
    return power


def _decay(power: Values, frame_s: float) -> tuple[float | None, float | None, str]:
    """Level, decay time and, where one is missing, the reason; power (strokes, frames)."""
    counted = round((LAST_S - FIRST_S) / frame_s)
    early = power[:, :counted].mean(axis=1)
    typical = float(np.median(early))
    if typical <= 0:
        return None, None, "digital silence after the strokes"
    level = 10 * math.log10(typical)
    sounding = power[early > 0] / early[early > 0, None]
    # Frames that at least half of the strokes reach: a lone long stroke would bend the curve.
    reached = np.isfinite(sounding).sum(axis=0) >= max(1, len(sounding) / 2)
    curve = np.nanmean(sounding[:, reached], axis=0)
    t60, start, floor = fit_decay(curve, frame_s)
    fall = 60 * frame_s * len(curve) / t60
    if t60 in (T60_S[0], T60_S[-1]) or fall < LEAST_FALL_DB:
        return level, None, "decay time not measured: it does not fall steadily"
    if start <= floor * 10 ** (LEAST_ABOVE_FLOOR_DB / 10):
        return level, None, "decay time not measured: it does not stand out of the bleed"
    model = start * 10 ** (-6 * np.arange(len(curve)) * frame_s / t60) + floor
    astray_db = 10 * np.log10(model / np.maximum(curve, 1e-30))
    if math.sqrt(float((astray_db**2).mean())) > MOST_ASTRAY_DB:
        return level, None, "decay time not measured: it does not fall like one exponential"
    return level, t60, ""


def fit_decay(curve: Values, frame_s: float) -> tuple[float, float, float]:
    """Fit a·10^(−6t/T60) + c to mean powers (frames,), `frame_s` apart; returns T60 in s, a and c.

    For each T60 of a grid a and c follow by weighted least squares (c not below 0); the weights
    come from the fit before, so that every decibel counts alike.
    """
    floor = float(curve.max()) * 1e-12
    weight = 1 / np.maximum(curve, floor) ** 2
    shapes = 10 ** (-6 * np.arange(len(curve)) * frame_s / T60_S[:, None])
    best = 0
    for _ in range(4):
        start, steady = _two_parameters(shapes, curve, weight)
        model = start[:, None] * shapes + steady[:, None]
        best = int(np.argmin((weight * (model - curve) ** 2).sum(axis=1)))
        weight = 1 / np.maximum(model[best], floor) ** 2
    return float(T60_S[best]), float(start[best]), float(steady[best])


def _two_parameters(shapes: Values, curve: Values, weight: Values) -> tuple[Values, Values]:
    """Weighted least squares of start·shape + steady = curve for every shape; both at least 0."""
    weighted = shapes * weight
    ww, ws, wss = weight.sum(), weighted.sum(axis=1), (weighted * shapes).sum(axis=1)
    wy, wsy = (weight * curve).sum(), (weighted * curve).sum(axis=1)
    determinant = np.maximum(wss * ww - ws**2, 1e-300)
    start, steady = (wsy * ww - ws * wy) / determinant, (wss * wy - ws * wsy) / determinant
    alone = np.maximum(wsy / wss, 0)
    return np.where(steady < 0, alone, np.maximum(start, 0)), np.maximum(steady, 0)
