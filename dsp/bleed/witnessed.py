# SPDX-License-Identifier: GPL-3.0-or-later
"""Bleed taken down with the help of other microphones.

What they predict of it, wave for wave, is subtracted; gains, decided as without them, do the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d, uniform_filter1d

from dsp.bleed.cancelling import LOOKS, Canceller
from dsp.bleed.powers import BandLevels, Levels, measure_levels
from dsp.bleed.suppressor import Suppressor
from dsp.curves import GainCurve, apply_curve
from dsp.take import Samples

ROUNDS = 3
ATTACK_S, FADE_S = 0.040, 0.005
LEAST_RATIO = 1.25  # by how much louder a witness must hear bleed against drum than the track
LEAST_GAPS = 200  # frames: a quarter of a second
CLEAN_DB = -36.0  # what is predicted against a stroke's first 40 ms: less than that leaves it alone


@dataclass(frozen=True)
class Subtraction:
    """Subtracts `predicted` (frames, channels), then applies the gains of `curve`."""

    predicted: Samples
    curve: GainCurve

    def apply(self, samples: Samples) -> None:
        """Treat samples (frames, channels), in place."""
        samples -= self.predicted
        apply_curve(samples, self.curve)


@dataclass(frozen=True)
class Witnessed:
    """What to do to the audio, and what it comes to in each band.

    `total` is the gain curve of both together, never above 0 dB or below what may be taken.
    """

    treatment: Subtraction
    total: GainCurve


def hears_bleed(witness: Samples, bands: BandLevels, suppressor: Suppressor) -> bool:
    """Whether a witness (frames, channels) hears the bleed louder against the drum than the track.

    `bands` are the track's levels. Compared are the gaps with the first 40 ms of the strokes, in
    each band; where there are hardly any gaps, nobody can tell, and it is taken for one that does.
    """
    strokes, gaps = suppressor.struck(bands, ATTACK_S), suppressor.silent(bands)
    if gaps.sum() < LEAST_GAPS:
        return True
    other = measure_levels(witness, suppressor.rate, bands.edges)
    ratio = [
        (10 ** (0.1 * one.level[gaps])).mean(axis=0)
        / (10 ** (0.1 * one.level[strokes])).mean(axis=0)
        for one in (other, bands)
    ]
    return bool(np.median(ratio[0] / ratio[1]) > LEAST_RATIO)


def suppress_with_witnesses(
    audio: Samples,
    witnesses: Sequence[Samples],
    bands: BandLevels,
    suppressor: Suppressor,
    told: Callable[[float], None],
) -> Witnessed:
    """Learn from witnesses, (frames, channels) each, how to take down the bleed of a track.

    `audio` (frames, channels) has levels `bands`; no channel of a witness is silent in its frames.
    `told` is called with the share of the work that is done.
    """
    part = slice(int(bands.edges[0]), int(bands.edges[-1]))
    sources = [one[part, k] for one in witnesses for k in range(one.shape[1])]
    channels = [k for k in range(audio.shape[1]) if audio[part, k].any()]
    shares = iter(np.linspace(0, 1, LOOKS * ROUNDS * len(channels) + 2)[1:].tolist())
    cancellers = [
        Canceller(audio[part, k], sources, suppressor.rate, lambda: told(next(shares)))
        for k in channels
    ]
    predicted = np.zeros_like(audio)
    curve = suppressor.curve(bands)
    for number in range(ROUNDS):
        drum = audio - predicted
        apply_curve(drum, curve)
        for k, canceller in zip(channels, cancellers, strict=True):
            canceller.learn(drum[part, k])
            predicted[part, k] = canceller.predict()
        if number < ROUNDS - 1:
            curve = suppressor.curve(_levels(audio - predicted, bands, suppressor.rate))
    _leave_clean_attacks(predicted, audio, suppressor)
    # No more than the reduction that is asked for: all of it would take bleed out altogether.
    predicted *= 1 - 10 ** (-suppressor.reduction / 20)
    left = _levels(audio - predicted, bands, suppressor.rate)
    already = _lowered(bands, left, suppressor)
    curve = suppressor.curve(left, already)
    return Witnessed(Subtraction(predicted, curve), _total(curve, already, bands, suppressor))


def _leave_clean_attacks(predicted: Samples, audio: Samples, suppressor: Suppressor) -> None:
    """Predict nothing in the first 40 ms of strokes that what is predicted hardly touches."""
    fade, span = (round(seconds * suppressor.rate) for seconds in (FADE_S, ATTACK_S))
    onset = suppressor.hits.onset[suppressor.used]
    stops = np.minimum(onset + span, np.append(onset[1:], len(audio)))
    keep = np.ones(len(audio))
    for start, stop in zip(onset, stops, strict=True):
        power = (predicted[start:stop] ** 2).sum()
        if power < 10 ** (0.1 * CLEAN_DB) * (audio[start:stop] ** 2).sum():
            keep[start:stop] = 0.0
    # Outside, it fades over 5 ms to either side: at each sample the least of what is around.
    around = minimum_filter1d(keep, 2 * fade + 1, mode="nearest")
    predicted *= np.minimum(keep, uniform_filter1d(around, 2 * fade + 1, mode="nearest"))[:, None]


def _levels(samples: Samples, bands: BandLevels, rate: int) -> BandLevels:
    return measure_levels(samples, rate, bands.edges)


def _lowered(bands: BandLevels, left: BandLevels, suppressor: Suppressor) -> Levels:
    """By how many dB levels went from `bands` to `left`, (frames, bands), 0 or less."""
    before, after = (one.calm.astype(np.float64) + one.loudest_db for one in (bands, left))
    if not suppressor.split:
        before, after = (_sum_db(one) for one in (before, after))
    return np.clip(after - before, -suppressor.reduction, 0.0).astype(np.float32)


def _sum_db(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10 * np.log10((10 ** (0.1 * levels)).sum(axis=1, keepdims=True)))


def _total(
    curve: GainCurve, already: Levels, bands: BandLevels, suppressor: Suppressor
) -> GainCurve:
    """The curve and what went before it, in one."""
    before = [np.interp(curve.at, bands.middles, column) for column in already.T]
    db = np.clip(curve.db + np.stack(before, axis=1), -suppressor.reduction, 0.0)
    return GainCurve(curve.rate, curve.frames, curve.at, db, curve.layout)
