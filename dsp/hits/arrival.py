# SPDX-License-Identifier: GPL-3.0-or-later
"""Which of several places is where a stroke arrives.

A hat a few milliseconds before or after a stroke, or the next stroke of a roll, is a change as
sharp as the stroke itself. So several methods propose a place each, and each place is measured:
how far the drum's bands rise there, how much of the most that any place adds, how much was there
already. A conditional logit (McFadden, 1974), fitted on open recordings by
`python -m bench.train_hits`, weighs the measures; the place with the highest score is the onset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import PICK_BANDS_HZ, PICK_Q, band_sections
from dsp.kernels.arrivals import excerpt_sums
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

LONG_S, SHORT_S = 0.003, 0.001
GUARD_S = 0.0001  # what arrives is measured from the place on; what was there, up to this before it
AHEAD_S, BEHIND_S = 0.016, 0.020  # measured around the candidate; holds all places and their spans
RUN_IN_S = 0.005
TOP_STEPS = 6  # the loudest of so many short spans after a place is the stroke's top there
QUIET = 1e-6  # of the excerpt's mean power: nothing below counts
CHUNK = 64
BANDS = tuple(f"{low:.0f}" for low, _ in PICK_BANDS_HZ)
PLACE_MEASURES = [
    *("rise_long", "rise_short", "share_long", "share_short", "already"),
    *("least_long", "middle_long", "mean_long", "mean_short", "least_already", "most_already"),
    *(f"long_{band}" for band in BANDS),
    *(f"short_{band}" for band in BANDS),
    *("is_start", "is_change", "apart", "later"),
]


@dataclass(frozen=True)
class PlaceWeights:
    """Conditional logit: means and scales of the measures of a place, and their weights."""

    mean: Values
    scale: Values
    weight: Values


@dataclass(frozen=True)
class Places:
    """Where each stroke may arrive: `at` (strokes, places) samples, the most exact method first."""

    at: Positions

    @property
    def start(self) -> Positions:
        """Where the attack starts, (strokes,)."""
        return self.at[:, 0]

    @property
    def near(self) -> Positions:
        """The candidate itself."""
        return self.at[:, 1]

    @property
    def change(self) -> Positions:
        """Where the variance changes most over the bands in which the stroke stands out."""
        return self.at[:, 2]


def choose_places(measures: Values, weights: PlaceWeights) -> Positions:
    """Index of the best place of each stroke; measures (strokes, places, measures)."""
    score = ((measures - weights.mean) / weights.scale * weights.weight).sum(axis=2)
    return np.asarray(np.argmax(score, axis=1))


def measure_places(x: Sound, places: Places, visible: Values, rate: int) -> Values:
    """Measures of each place, (strokes, places, len(PLACE_MEASURES)).

    `visible` (strokes, bands) says how far the stroke stands out in each of PICK_BANDS_HZ.
    """
    out = np.empty((*places.at.shape, len(PLACE_MEASURES)))
    weights = visible / visible.sum(axis=1, keepdims=True)

    def work(part: slice) -> None:
        out[part] = _measure(x, Places(places.at[part]), weights[part], rate)

    over_chunks(work, len(out), CHUNK)
    return out


def _measure(x: Sound, places: Places, weights: Values, rate: int) -> Values:
    before, after, before_short, after_short, top = _powers(x, places, rate)
    weight = weights[:, None, :]
    long_db = np.clip(10 * np.log10(after / before), -6, 20)
    short_db = np.clip(10 * np.log10(after_short / before_short), -6, 20)
    added = np.maximum(after - before, 1e-9 * after)
    share = 10 * np.log10(added / added.max(axis=1, keepdims=True) + 10**-1.5)
    added_short = np.maximum(after_short - before_short, 0.0)
    share_short = 10 * np.log10(added_short / top + 10**-2)
    already = 10 * np.log10(before_short / top + 1e-3)
    later = (places.at - places.near[:, None]) / rate * 1e3
    near_start = places.at == places.start[:, None]
    near_change = np.abs(places.at - places.change[:, None]) <= 0.25e-3 * rate
    columns = [
        (weight * long_db).sum(axis=2),
        (weight * short_db).sum(axis=2),
        (weight * share).sum(axis=2),
        (weight * share_short).sum(axis=2),
        (weight * already).sum(axis=2),
        long_db.min(axis=2),
        np.median(long_db, axis=2),
        long_db.mean(axis=2),
        short_db.mean(axis=2),
        already.min(axis=2),
        already.max(axis=2),
        *np.moveaxis(long_db, 2, 0),
        *np.moveaxis(short_db, 2, 0),
        near_start,
        near_change,
        np.abs(later),
        later,
    ]
    return np.stack(columns, axis=2)


def _powers(x: Sound, places: Places, rate: int) -> tuple[Values, Values, Values, Values, Values]:
    """Mean powers (strokes, places, bands): 3 ms before and after, 1 ms before and after, top."""
    ahead, length = round(AHEAD_S * rate), round((AHEAD_S + BEHIND_S) * rate)
    starts = places.near - ahead
    b, a = band_sections(PICK_BANDS_HZ, rate, PICK_Q)
    sums = np.empty((len(starts), length + 1, len(PICK_BANDS_HZ)))
    scratch = np.empty((length, len(PICK_BANDS_HZ)))
    excerpt_sums(x, starts, round(RUN_IN_S * rate), b, a, scratch, sums)
    floor = QUIET * sums[:, -1:, :] / length + 1e-30
    at = places.at - starts[:, None]
    rows = np.arange(len(starts))[:, None]

    def mean(start_s: float, stop_s: float) -> Values:
        low = np.clip(at + round(start_s * rate), 0, length)
        high = np.clip(at + round(stop_s * rate), 0, length)
        span = np.maximum(high - low, 1)[:, :, None]
        return np.asarray(np.maximum(sums[rows, high] - sums[rows, low], 0.0) / span + floor)

    tops = [mean(step * SHORT_S, (step + 1) * SHORT_S) for step in range(TOP_STEPS)]
    return (
        mean(-LONG_S, -GUARD_S),
        mean(0.0, LONG_S),
        mean(-SHORT_S, -GUARD_S / 2),
        mean(0.0, SHORT_S),
        np.maximum.reduce(tops),
    )
