# SPDX-License-Identifier: GPL-3.0-or-later
"""What the drum alone should sound like: its spectrum and decay, learned from its strokes.

Bleed can only add. So whatever is common to the quieter of many like strokes, in a band, at a
time after the onset, is the drum: low quantiles over strokes, not means.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.powers import CENTRES_HZ, FLOOR_DB, FRAME_S, Levels, over_bands
from dsp.kernels.bleed import predict_drum

Values = NDArray[np.float64]
Frames = NDArray[np.int64]

AHEAD = 6  # frames of a shape ahead of the onset: the bands' filters ring that early
ATTACK = round(0.020 / FRAME_S)
SOFT_DB = -10.0
LOW_QUANTILE, NEXT_QUANTILE = 0.15, 0.40
BETWEEN = 0.783  # standard deviations between these two quantiles of a normal distribution
TO_MIDDLE = 1.036  # and from the lower one to the median
LEAST_SPREAD_DB, MOST_SPREAD_DB, TRUSTED_SPREAD_DB = 1.0, 4.0, 1.5
WILD_DB = 4.0
NO_MODES = 0.7  # of the fundamental: below, a drum only thumps
DOUBT_DB = 2.0  # of a stroke's own level where it stands out clearly
DULLEST, FOLLOWS = 1.75, 0.75  # dB by which a band falls with a dB of strength
HAT_HZ, LEAST_SOFT = 2500.0, 6
SPREADS_ABOVE = 0.3  # how far above the expected a stroke may lie before the rest is bleed
BELOW_DB_PER_OCTAVE = 14.0
TELLING = (CENTRES_HZ > 80) & (CENTRES_HZ < 5000)  # without most of kicks and hats
LEAST_RAISED = 0.25  # a quantile over bands; of a stroke that was alone it lies USUALLY_BELOW_DB
USUALLY_BELOW_DB = 0.8


@dataclass(frozen=True)
class Strokes:
    """Where strokes start and what is known of them: frames, next onsets, strength in dB."""

    first: Frames
    following: Frames
    strength_db: Values

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True)
class Attack:
    """Level of each stroke in each band: typical ones, their spread, and each stroke's own.

    `level` (strokes, bands) dB; `spread` (bands,) dB; `wild` (bands,) where bleed hides the drum
    in most strokes; `thump` (bands,) where it has no modes; `visible` (strokes, bands) dB above the
    bleed; `excess` (strokes, bands) dB that were measured above `level`: what a stroke sounds with.
    """

    level: Values
    spread: Values
    wild: NDArray[np.bool_]
    thump: NDArray[np.bool_]
    visible: Values
    excess: Values


def measure_attacks(levels: Levels, bleed: Levels, strokes: Strokes, fundamental: float) -> Attack:
    """Level of every stroke over its first 20 ms, bleed taken out, drawn towards the typical.

    The softer a stroke stands out in a band, the more the typical spectrum at its strength
    counts. Below the fundamental a drum has no modes: where the strokes disagree wildly there
    (a kick under most of them), and below that, the level falls by 14 dB an octave instead.
    """
    power = _attack_power(levels, strokes)
    under = 10 ** (0.1 * bleed[strokes.first].astype(np.float64))
    measured = 10 * np.log10(np.maximum(power - under, 0.1 * power))
    visible = 10 * np.log10(power / under)
    offset = measured - strokes.strength_db[:, None]
    firm = strokes.strength_db > SOFT_DB
    if firm.sum() < 4:
        firm[:] = True
    typical, spread, raw = _low_fit(offset[firm])
    typical, wild = _cap_below(typical, raw, offset, fundamental)
    slope = _softness(typical, offset, visible, strokes.strength_db, firm)
    softer = np.minimum(strokes.strength_db - np.median(strokes.strength_db[firm]), 0)
    expected = typical + strokes.strength_db[:, None] + (slope - 1) * softer[:, None]
    expected += _overrated(measured - expected, strokes.strength_db)[:, None]
    doubt = DOUBT_DB + 10 ** (np.clip(10 - visible, -20, 30) / 10)
    trust = (1 / doubt**2) / (1 / doubt**2 + 1 / spread**2)
    level = trust * measured + (1 - trust) * expected
    level = np.minimum(level, expected + SPREADS_ABOVE * spread)
    thump = NO_MODES * fundamental > CENTRES_HZ
    return Attack(level, spread, wild, thump, visible, np.maximum(measured - level, 0.0))


def _attack_power(levels: Levels, strokes: Strokes) -> Values:
    """Mean power over each stroke's first 20 ms, or until the next."""
    stops = np.maximum(np.minimum(strokes.first + ATTACK, strokes.following), strokes.first + 1)
    rows = [
        (10 ** (0.1 * levels[a:b].astype(np.float64))).mean(axis=0)
        for a, b in zip(strokes.first, stops, strict=True)
    ]
    return np.array(rows)


def _low_fit(values: Values) -> tuple[Values, Values, Values]:
    """Middle and spread of the low side of values (strokes, bands), and the raw spread."""
    low = np.quantile(values, LOW_QUANTILE, axis=0)
    raw = (np.quantile(values, NEXT_QUANTILE, axis=0) - low) / BETWEEN
    spread = np.clip(raw, LEAST_SPREAD_DB, MOST_SPREAD_DB)
    return low + TO_MIDDLE * np.minimum(spread, TRUSTED_SPREAD_DB), spread, raw


def _cap_below(
    typical: Values, raw: Values, offset: Values, fundamental: float
) -> tuple[Values, NDArray[np.bool_]]:
    """Keep bleed below the fundamental from passing for the drum."""
    everything, _, raw_all = _low_fit(offset)
    at = int(np.argmin(np.abs(np.log(CENTRES_HZ / fundamental))))
    octaves = np.maximum(np.log2(0.95 * fundamental / CENTRES_HZ), 0)
    limit = typical[max(at - 1, 0) : at + 2].max() - BELOW_DB_PER_OCTAVE * octaves
    below = octaves > 0.15
    disagree = below & (np.maximum(raw, raw_all) > WILD_DB)
    disagree = np.logical_or.accumulate(disagree[::-1])[::-1]  # a kick lies lowest
    typical = np.where(below, np.minimum(typical, everything), typical)
    typical = np.where(disagree, np.minimum(typical, limit), typical)
    return typical, (octaves > 0.4) & disagree


def _overrated(above: Values, strength: Values) -> Values:
    """How much weaker soft strokes (strokes,) are than they seemed, dB, 0 or less.

    `above` (strokes, bands) is what was measured against the expected. A kick or hat that sounds
    with a soft stroke raises its strength; the bands that it left alone then lie below.
    """
    lowest = np.quantile(above[:, TELLING], LEAST_RAISED, axis=1) + USUALLY_BELOW_DB
    return np.where(strength <= SOFT_DB, np.minimum(lowest, 0.0), 0.0)


def _softness(
    typical: Values, offset: Values, visible: Values, strength: Values, firm: NDArray[np.bool_]
) -> Values:
    """How much faster than its strength each band of a soft stroke falls: 1 is alike.

    Softer strokes are duller, not brighter; what falls more slowly is a hat that soft strokes
    are played with. So is, in high bands, what does not follow the strength of soft strokes: all
    that is known of the drum there is that it lies below, and it is taken to be as dull as can be.
    """
    soft = strength <= SOFT_DB
    if soft.sum() < 4 or not firm.any():
        return np.ones(len(typical))
    quieter, _, _ = _low_fit(offset[soft])
    distance = np.median(strength[soft]) - np.median(strength[firm])
    slope = np.clip(1 + (quieter - typical) / min(distance, -1.0), 1.0, DULLEST)
    seen = np.median(visible[soft], axis=0) > 3
    slope = np.where(seen, slope, np.median(slope[seen]) if seen.any() else 1.0)
    hidden = (CENTRES_HZ > HAT_HZ) & (_following(offset[soft], strength[soft]) < FOLLOWS)
    return np.where(hidden, DULLEST, slope)


def _following(offset: Values, strength: Values) -> Values:
    """By how many dB, at most, each band of strokes rises with a dB of strength.

    Two standard errors above what a regression finds; 1 for too few to tell.
    """
    off = strength - strength.mean()
    spread = float((off**2).sum())
    if len(off) < LEAST_SOFT or spread == 0:
        return np.ones(offset.shape[1])
    apart = offset - offset.mean(axis=0)
    rising = (off[:, None] * apart).sum(axis=0) / spread
    left = ((apart - off[:, None] * rising) ** 2).sum(axis=0) / (len(off) - 2)
    return np.asarray(1 + rising + 2 * np.sqrt(left / spread))


def predict(strokes: Strokes, attack: Attack, shape: Values, frames: int) -> Levels:
    """Level in dB of the drum alone, (frames, bands)."""
    power = np.empty((frames, shape.shape[1]), np.float32, order="F")
    level, decay = 10 ** (0.1 * attack.level), 10 ** (0.1 * shape)

    def work(bands: slice) -> None:
        floor = 10 ** (FLOOR_DB / 10)
        predict_drum(strokes.first, level[:, bands], decay[:, bands], AHEAD, floor, power[:, bands])

    over_bands(work)
    return power
