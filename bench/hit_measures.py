# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures of found strokes against the strokes that were played."""

from __future__ import annotations

import math
from dataclasses import dataclass

import mir_eval
import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

from tests.open_takes.takes import OpenTake

WINDOW_S = 0.002
"""A found stroke is right within this of the stroke's first sample; one to one."""

OTHER_WITHIN_S = 0.010
"""A false hit this near after another drum's arrival is put down to that drum."""

VELOCITY_WITHIN = 4.0


@dataclass(frozen=True)
class Found:
    """Strokes as a finder reports them: first samples, ascending, and how strong, each (hits,)."""

    onset: NDArray[np.int64]
    strength_db: NDArray[np.float64]
    velocity: NDArray[np.int64]


@dataclass(frozen=True)
class Played:
    """Strokes as played: as `Found`, which are ghosts, and how far each stands out, dB."""

    onset: NDArray[np.int64]
    strength_db: NDArray[np.float64]
    ghost: NDArray[np.bool_]
    clear_db: NDArray[np.float64]


@dataclass(frozen=True)
class HitMeasures:
    """What the finder got right.

    Attributes:
        f: F-measure at ±2 ms, matched one to one at most (mir_eval.onset.f_measure).
        f_heard: the same, but that a stroke is not missed which lies under everything else in each
            of four bands (`clear_db` below 0): neither ears nor a spectrogram can tell it is there.
        precision: right ones of the found.
        recall: found ones of the played.
        ghost_recall: found ones of the played ghosts; NaN without ghosts.
        error: median of |found − played| over matched strokes, samples.
        bias: median of found − played, samples; positive is late.
        spearman: rank correlation of found and played strength over matched strokes.
        velocities: share of matched strokes within 4 of the played velocity, by the square law
            re the take's typical full stroke.
        false_others: false hits within 10 ms after the arrival of another drum or cymbal.

    """

    f: float
    f_heard: float
    precision: float
    recall: float
    ghost_recall: float
    error: float
    bias: float
    spearman: float
    velocities: float
    false_others: int


def played_in(take: OpenTake) -> Played:
    """The strokes of a take, as its top microphone hears them."""
    strokes = take.strokes
    return Played(
        take.arrivals(),
        np.array([one.level_db for one in strokes]),
        np.array([one.ghost for one in strokes], dtype=np.bool_),
        np.array([one.clear_db for one in strokes]),
    )


def measure(found: Found, played: Played, others: NDArray[np.int64], rate: int) -> HitMeasures:
    """Compare `found` with `played`; `others` are arrivals of everything else, first samples."""
    reference, estimate = played.onset / rate, found.onset / rate
    f, precision, recall = _f_measure(reference, estimate)
    pairs = mir_eval.util.match_events(reference, estimate, WINDOW_S)
    right = np.array([pair[0] for pair in pairs], dtype=np.int64)
    guess = np.array([pair[1] for pair in pairs], dtype=np.int64)
    apart = found.onset[guess] - played.onset[right]
    ghosts = int(played.ghost.sum())
    false = np.setdiff1d(np.arange(len(found.onset)), guess)
    return HitMeasures(
        f=f,
        f_heard=f_heard(found.onset, played, rate),
        precision=precision,
        recall=recall,
        ghost_recall=float(played.ghost[right].sum()) / ghosts if ghosts else math.nan,
        error=float(np.median(np.abs(apart))) if len(apart) else math.nan,
        bias=float(np.median(apart)) if len(apart) else math.nan,
        spearman=_rank(found.strength_db[guess], played.strength_db[right]),
        velocities=_velocities(found, played, guess, right),
        false_others=_near(found.onset[false], others, rate),
    )


def f_heard(
    onset: NDArray[np.int64], played: Played, rate: int, window_s: float = WINDOW_S
) -> float:
    """F-measure of found onsets, strokes under everything else not counted as missed."""
    pairs = mir_eval.util.match_events(played.onset / rate, onset / rate, window_s)
    right = [pair[0] for pair in pairs]
    heard = len(right) + int((np.delete(played.clear_db, right) >= 0).sum())
    return 2 * len(right) / max(heard + len(onset), 1)


def velocities(played: Played) -> NDArray[np.float64]:
    """Velocity 1..127 of each played stroke re the typical full stroke, which gets 127.

    40 lg(v / 127) (DLS level 1); the typical full stroke is the median of all that are within
    4 dB of the strongest.
    """
    level = played.strength_db
    typical = float(np.median(level[level >= level.max() - 4.0]))
    return np.clip(127.0 * 10.0 ** ((level - typical) / 40.0), 1.0, 127.0)


def _f_measure(
    reference: NDArray[np.float64], estimate: NDArray[np.float64]
) -> tuple[float, float, float]:
    if len(reference) == 0 or len(estimate) == 0:
        return 0.0, 0.0, 0.0
    f, precision, recall = mir_eval.onset.f_measure(reference, estimate, window=WINDOW_S)
    return float(f), float(precision), float(recall)


def _rank(found: NDArray[np.float64], played: NDArray[np.float64]) -> float:
    if len(found) < 3 or np.ptp(found) == 0.0 or np.ptp(played) == 0.0:
        return math.nan
    return float(spearmanr(found, played).statistic)


def _velocities(
    found: Found, played: Played, guess: NDArray[np.int64], right: NDArray[np.int64]
) -> float:
    if len(guess) == 0:
        return math.nan
    apart = found.velocity[guess] - velocities(played)[right]
    return float(np.mean(np.abs(apart) <= VELOCITY_WITHIN))


def _near(false: NDArray[np.int64], others: NDArray[np.int64], rate: int) -> int:
    """How many of `false` fall from 2 ms before to 10 ms after one of `others`."""
    early, late = round(WINDOW_S * rate), round(OTHER_WITHIN_S * rate)
    after = false[:, None] - others[None, :]
    return int(((after >= -early) & (after <= late)).any(axis=1).sum())
