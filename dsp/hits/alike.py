# SPDX-License-Identifier: GPL-3.0-or-later
"""Onsets from what the strokes of one drum share: how they begin.

One stroke in bleed shows its first samples badly, all of them together show them well. Every stroke
is compared with the mean of the loud ones: one that fits best somewhere else is moved there, and
where what they share begins is where all of them do. (Matched filter; the Akaike criterion on what
linear prediction leaves, as in pickers of seismology: M. Leonard & B. Kennett, "Multi-component
autoregressive techniques for the analysis of seismograms", Phys. Earth Planet. Inter. 113, 1999;
from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.excerpts import excerpts, unit
from dsp.hits.medians import weighted_median
from dsp.hits.prediction import ORDER, prediction_errors
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

REACH_S = 0.004  # how far a stroke may be moved
AHEAD_S, BEHIND_S = 0.002, 0.005  # the part that is compared
ABOVE_HZ = 300.0  # below, a kick may be most of it
PER_MS = 0.05  # likeness that a millisecond of distance costs
LEAST_LIKE, BETTER, CLEARLY_LIKE, TEACHES = 0.3, 0.2, 0.75, 0.8
AROUND_S = 0.00025
FAR_S = 0.0006  # a place further off than this was a mistake; one nearer may be the better one
SWELL_S = 0.001  # so softly a drum may begin that all its strokes are taken for later
SAME_S = 0.00004
LOUD_DB, MOST_LOUD, LEAST_LOUD = 12.0, 48, 3
ROUNDS = 3
CHUNK = 64  # fixed, so that threads share the work without changing the result
NOISE_S, EARLY_S, LATE_S = 0.030, 0.00125, 0.00085
EDGE = 6
LEAST_NOISE = 1e-12
RINGS = 10**-4.5  # of a stroke's power: so much a converter's filter may ring ahead of it


@dataclass(frozen=True)
class Likeness:
    """How like the loud strokes each of some strokes begins.

    `off` (strokes,) samples by which it must be moved to be most like them, `like` (strokes,) the
    correlation there, `stays` (strokes,) that where it is, and `loud` the indices of the loud ones.
    `sure` (strokes,) tells which are known from elsewhere to be there.
    """

    off: Positions
    like: Values
    stays: Values
    loud: Positions
    sure: NDArray[np.bool_]

    def pick(self, kept: NDArray[np.bool_]) -> Likeness:
        """Of these strokes only."""
        loud = (np.cumsum(kept) - 1)[self.loud[kept[self.loud]]]
        return Likeness(self.off[kept], self.like[kept], self.stays[kept], loud, self.sure[kept])


def compare_onsets(
    x: Sound, onset: Positions, level_db: Values, sure: NDArray[np.bool_], rate: int
) -> Likeness | None:
    """Compare the beginnings of what starts in x (n,) near `onset`; None: fewer than three loud.

    `level_db` (strokes,) says which are loud, of those that are `sure` (strokes,) to be the drum's.
    What they share is learned in turns with where they are.
    """
    known = np.flatnonzero(sure)
    loud = known[np.argsort(-level_db[known], kind="stable")][:MOST_LOUD]
    if len(loud):
        loud = loud[level_db[loud] > np.quantile(level_db[known], 0.95) - LOUD_DB]
    if len(loud) < LEAST_LOUD:
        return None
    reach, ahead, behind = (round(s * rate) for s in (REACH_S, AHEAD_S, BEHIND_S))
    size = ahead + behind
    parts = np.empty((len(onset), size + 2 * reach))

    def cut(part: slice) -> None:
        parts[part] = _without_lows(excerpts(x, onset[part], ahead + reach, behind + reach), rate)

    over_chunks(cut, len(onset), CHUNK)
    shared = np.median(unit(parts[loud, reach : reach + size]), axis=0)
    for _ in range(ROUNDS):
        like = _likeness(parts[loud], shared, reach)
        best = _best(like, rate)
        beginnings = unit(np.take_along_axis(parts[loud], best[:, None] + np.arange(size), axis=1))
        weight = np.maximum(like[np.arange(len(loud)), best], 0.0)
        shared = (beginnings * weight[:, None]).mean(axis=0)
    like = np.empty((len(parts), 2 * reach + 1))

    def compare(part: slice) -> None:
        like[part] = _likeness(parts[part], shared, reach)

    over_chunks(compare, len(parts), CHUNK)
    best = _best(like, rate)
    usual = round(float(np.median(best[loud])))
    around = round(AROUND_S * rate)
    stays = like[:, max(usual - around, 0) : usual + around + 1].max(axis=1)
    unsure = np.zeros(len(best), dtype=np.bool_)
    return Likeness(best - usual, like[np.arange(len(best)), best], stays, loud, unsure)


def settle(onset: Positions, likeness: Likeness, rate: int) -> Positions:
    """Where each stroke that starts near `onset` is most like the others.

    What is like no other stroke, or as like them where it is, stays there. A small step is taken
    where the stroke is clearly like the others, or surely there.
    """
    off, like = likeness.off, likeness.like
    elsewhere = (like >= LEAST_LIKE) & (like >= likeness.stays + BETTER)
    move = elsewhere & ((np.abs(off) > FAR_S * rate) | likeness.sure)
    move |= (like >= CLEARLY_LIKE) & (np.abs(off) > SAME_S * rate)
    return np.asarray(onset + np.where(move, off, 0))


def align_onsets(x: Sound, onset: Positions, likeness: Likeness, rate: int) -> Positions:
    """The strokes of x (n,) that start near `onset`, ascending, to the sample; strictly rising."""
    off, like, loud = likeness.off, likeness.like, likeness.loud
    begins = 0
    teachers = loud[like[loud] >= TEACHES]
    if len(teachers) >= LEAST_LOUD:
        begins = _begins(x, onset[teachers] + off[teachers], rate)
        begins = begins if SAME_S * rate < abs(begins) <= SWELL_S * rate else 0
    aligned = settle(onset, likeness, rate) + begins
    order = np.arange(len(onset))
    return np.asarray(np.maximum.accumulate(np.maximum(aligned, 0) - order) + order)


def _without_lows(cut: Values, rate: int) -> Values:
    """Parts (strokes, samples) without what is below 300 Hz."""
    size = 1 << math.ceil(math.log2(2 * cut.shape[1]))
    hz = np.fft.rfftfreq(size, 1 / rate)
    # A Butterworth high-pass of second order there and back: its magnitude squared, no phase.
    shape = hz**4 / (hz**4 + ABOVE_HZ**4)
    return np.fft.irfft(np.fft.rfft(cut, size, axis=1) * shape, size, axis=1)[:, : cut.shape[1]]


def _likeness(parts: Values, shared: Values, reach: int) -> Values:
    """Correlation of parts (strokes, samples) with `shared` at each lag, (strokes, lags)."""
    size = 1 << math.ceil(math.log2(parts.shape[1] + len(shared)))
    spectrum = np.conj(np.fft.rfft(shared / np.sqrt((shared * shared).sum() + 1e-300), size))
    product = np.fft.irfft(np.fft.rfft(parts, size, axis=1) * spectrum, size, axis=1)
    energy = np.cumsum(np.pad(parts**2, ((0, 0), (1, 0))), axis=1)
    inside = energy[:, len(shared) :] - energy[:, : -len(shared)]
    least = 1e-12 * energy[:, -1:] + 1e-300
    return np.asarray(product[:, : 2 * reach + 1] / np.sqrt(np.maximum(inside, least)))


def _best(like: Values, rate: int) -> Positions:
    """The lag at which each part is most like the others, a little for being where it was."""
    away = np.abs(np.arange(like.shape[1]) - like.shape[1] // 2)
    return np.asarray(np.argmax(like - PER_MS * 1000 / rate * away, axis=1))


def _begins(x: Sound, onset: Positions, rate: int) -> int:
    """By how many samples all strokes begin after `onset`, negative: before.

    What each stroke's own past does not say of it, re its level, is laid on top of the others': a
    hat that comes a moment before one stroke, or two, does not move the median.
    """
    noise, early, late = (round(s * rate) for s in (NOISE_S, EARLY_S, LATE_S))
    before, after = noise + 3 * early, 2 * late + ORDER
    cut = excerpts(x, onset, before, after)
    own = np.sqrt(np.mean(cut[:, before:] ** 2, axis=1))
    errors = np.array([prediction_errors(one, noise) for one in cut]) / (own[:, None] + 1e-300)
    errors = errors[:, before - early : before + late]
    other = np.median(errors[:, :early] ** 2, axis=1)
    weight = 1 / (other + np.median(other) + LEAST_NOISE)
    common = weighted_median(errors, weight[:, None])
    sums = np.cumsum(common**2)
    split = np.arange(EDGE, len(common) - EDGE)
    first, second = sums[split - 1] / split, (sums[-1] - sums[split - 1]) / (len(common) - split)
    least = RINGS * sums[-1] / len(common) + 1e-300
    cost = split * np.log(first + least) + (len(common) - split) * np.log(second + least)
    return int(split[np.argmin(cost)]) - early
