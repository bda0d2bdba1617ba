# SPDX-License-Identifier: GPL-3.0-or-later
"""Two microphones of one drum: polarity and delay between them, and what their sum is worth.

How it is measured:

- The clear full strokes on the reference microphone, from just before each onset to `BODY_S`
  after it: the direct sound, before the room and the next stroke. Strokes are pooled with one
  weight each, so that neither a loud nor a long one decides alone.
- Cross-correlation of what lies between 100 Hz and 2 kHz, with the magnitudes taken out (the phase
  transform of C. H. Knapp and G. C. Carter, The generalized correlation method for estimation of
  time delay, IEEE Trans. ASSP 24(4), 1976): a ringing drum would otherwise be like itself at every
  period. Below lies the kick, above the wires, which leave the drum at another time than the heads.
- Of peaks nearly as high the nearest counts, for what comes later is the room. Its sign is the
  polarity.
- Each stroke then has a delay of its own near that peak, to a fraction of a sample: their median is
  the delay, half of the span of their middle half the spread; the share of strokes whose
  correlation there has the common sign is the agreement. What else the highest peak could have
  been, more than a millisecond away, is the rival.

The microphone under a snare drum usually has the opposite polarity of the one above it, since a
head that moves away from the one moves toward the other (common practice, no source).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap, Positions
from dsp.stroke_spectra import band, clear_strokes, likeness, stroke_spectra
from dsp.take import Samples

BODY_S = 0.008
FARTHEST_S = 0.03  # 10 m
NEAR_S = 0.0003  # how far a single stroke may be from all of them
LOW_HZ, HIGH_HZ = 100.0, 2000.0
ALIKE = 0.8  # of the highest peak
LOW_MIDS_HZ = (150.0, 600.0)
SUM_S = 0.06  # of each stroke, for what the sum gains
LEAST_STROKES = 3
# On the open takes in four performances: above, below and overhead all are sure and right (112 of
# 112); in the room 35 of the 36 that are sure are right, and 20 are not sure.
SURE = 0.85  # agreement
RIVALS_S, STRONGEST_RIVAL = 0.001, 0.95

Values = NDArray[np.float64]


@dataclass(frozen=True)
class LowMids:
    """Level of the sum of both microphones in `LOW_MIDS_HZ`, dB re their powers added.

    Both are taken at the same level there: +3.0 is two equal sounds in phase, 0 two that have
    nothing to do with each other. `aligned` has the delay removed.
    """

    as_it_is: float
    inverted: float
    aligned: float
    aligned_inverted: float


@dataclass(frozen=True)
class Pair:
    """One microphone against another.

    `inverted` whether its polarity is the opposite one, `delay` how many samples later it hears
    the drum (negative: earlier), `spread` of the strokes around that, in samples, `agreement` the
    share of strokes with this polarity, `rival` the height of the next likely answer re this one,
    `strokes` how many were used.
    """

    inverted: bool
    delay: int
    spread: float
    agreement: float
    rival: float
    strokes: int
    sums: LowMids

    @property
    def sure(self) -> bool:
        """Whether enough strokes say the same, and nothing else: else nothing should be moved."""
        clear = self.agreement >= SURE and self.rival <= STRONGEST_RIVAL
        return self.strokes >= LEAST_STROKES and clear

    def as_data(self, rate: int) -> dict[str, Any]:
        """The same as JSON can hold it."""
        return {
            "sure": self.sure,
            "polarity": "opposite" if self.inverted else "same",
            "delay_samples": self.delay,
            "delay_ms": 1000 * self.delay / rate,
            "spread_samples": self.spread,
            "agreement": self.agreement,
            "rival": self.rival,
            "strokes": self.strokes,
            "band_hz": list(LOW_MIDS_HZ),
            "sum_db": asdict(self.sums),
        }


NOTHING = Pair(False, 0, 0.0, 0.0, 0.0, 0, LowMids(0.0, 0.0, 0.0, 0.0))


def compare_microphones(reference: Samples, other: Samples, hits: HitMap) -> Pair:
    """Measure `other` (frames, channels) against `reference`, of whose strokes `hits` tells.

    Channels of a track are averaged. `NOTHING` where there is no clear stroke.
    """
    onsets, rate = clear_strokes(hits), hits.rate
    far, near = round(FARTHEST_S * rate), max(round(NEAR_S * rate), 2)
    a, b = stroke_spectra(reference, other, onsets, rate, BODY_S, 0, far)
    if len(a) == 0:
        return NOTHING
    pooled = likeness(a, b, band(a, rate, LOW_HZ, HIGH_HZ)).mean(axis=0)
    lag = _nearest_peak(pooled, far)
    sign = -1.0 if pooled[lag] < 0 else 1.0
    a, b = stroke_spectra(reference, other, onsets, rate, BODY_S, lag, 0)
    each = sign * likeness(a, b, band(a, rate, LOW_HZ, HIGH_HZ))
    if len(each) == 0:
        return NOTHING
    delays = lag + _own_delays(each, near)
    low, high = np.percentile(delays, [25, 75])
    delay = round(float(np.median(delays)))
    return Pair(
        inverted=sign < 0,
        delay=delay,
        spread=float(high - low) / 2,
        agreement=float(np.mean(each[:, 0] > 0)),
        rival=_rival(pooled, lag, far, round(RIVALS_S * rate)),
        strokes=len(each),
        sums=_sums(reference, other, onsets, rate, delay),
    )


def _nearest_peak(pooled: Values, farthest: int) -> int:
    """Lag of the peak nearest to none among those nearly as high as the highest."""
    lags = np.arange(-farthest, farthest + 1)
    height = np.abs(pooled[lags])
    peak = (height >= np.abs(pooled[lags - 1])) & (height >= np.abs(pooled[lags + 1]))
    high = lags[peak & (height >= ALIKE * height[peak].max(initial=0.0))]
    return int(high[np.argmin(np.abs(high))]) if len(high) else 0


def _rival(pooled: Values, lag: int, farthest: int, apart: int) -> float:
    """Highest of the peaks further than `apart` from `lag`, re the one there."""
    lags = np.arange(-farthest, farthest + 1)
    others = np.abs(pooled[lags[np.abs(lags - lag) > apart]]).max(initial=0.0)
    return float(others / max(abs(pooled[lag]), np.finfo(float).tiny))


def _own_delays(each: Values, near: int) -> Values:
    """Lag of each stroke's peak around 0 (strokes,), by a parabola through three points."""
    lags = np.arange(-near, near + 1)
    around = each[:, lags]
    inner = np.argmax(around[:, 1:-1], axis=1) + 1
    rows = np.arange(len(around))
    left, mid, right = (around[rows, inner + step] for step in (-1, 0, 1))
    bend = left - 2 * mid + right
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(bend < 0, 0.5 * (left - right) / bend, 0.0)
    return np.asarray(lags[inner] + np.clip(part, -0.5, 0.5))


def _sums(reference: Samples, other: Samples, onsets: Positions, rate: int, delay: int) -> LowMids:
    here, there = (_alike(reference, other, onsets, rate, lag) for lag in (0, delay))

    def gain(likeness: float) -> float:
        return float(10 * np.log10(max(1.0 + likeness, 1e-4)))

    return LowMids(gain(here), gain(-here), gain(there), gain(-there))


def _alike(reference: Samples, other: Samples, onsets: Positions, rate: int, lag: int) -> float:
    """Mean correlation coefficient of the strokes in the low mids, −1 to 1."""
    a, b = stroke_spectra(reference, other, onsets, rate, SUM_S, lag, 0)
    weight = band(a, rate, *LOW_MIDS_HZ)
    powers = [(np.abs(x) ** 2 * weight).sum(axis=1) for x in (a, b)]
    shared = ((b * np.conj(a)).real * weight).sum(axis=1)
    size = np.sqrt(powers[0] * powers[1])
    return float(np.mean(shared / np.maximum(size, np.finfo(float).tiny)))
