# SPDX-License-Identifier: GPL-3.0-or-later
"""Is it a stroke of the drum? Measures of each candidate, and their weighing.

The weights are a logistic regression fitted on open recordings placed in a simulated room by
`python -m bench.train_hits`; every measure is relative to the drum itself (dB against its learned
stroke) or to what was there before, so neither level nor tuning matters.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.hits.arrival import PLACE_MEASURES, PlaceWeights
from dsp.hits.spectra import ATTACK, HIGH, LOW, TAIL, TILT_OCTAVES, DrumStroke, Spectra
from dsp.kernels.onsets import company, stroke_evidence
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

LEVELS_DB = np.arange(-42.0, 4.0, 2.0)
TILTS_DB = np.array([0.0, 2.0, 4.0, 6.0])
SPREAD_DB = 4.0
CAP = 3.0
KEEP = 0.9
LEAST = 6.0  # evidence that a stroke needs at the very least to be thought of
CHUNK = 512
MEASURES = [
    *("evidence", "low", "attack", "tail", "level", "tilt", "visible", "per_visible"),
    *("excess", "misfit", "soft", "q10", "q25", "q50", "q75", "q90", "low_q50", "low_q25", "mid"),
    *("high", "air", "mid_tail", "high_tail", "seen25", "seen50", "seen75"),
    *("rise0", "rise1", "rise2", "rise3", "rise4", "rise"),
    *("louder_before", "louder_after", "mid_less_high", "low_less_mid"),
]


COMPANY_MEASURES = ["first_look", "company", "distance"]
COMPANY_GAP_S, COMPANY_SCALE_DB, COMPANY_CAP_DB, ALONE_DB = 0.030, 1.0, 12.0, 3.0
SURE_SCORE = 8.0
LAST_MEASURES = ["second_look", "like", "like_here", "matched"]

PASSES = {
    "first": MEASURES,
    "second": MEASURES + COMPANY_MEASURES,
    "place": PLACE_MEASURES,
    "last": LAST_MEASURES,
}


@dataclass(frozen=True)
class Weights:
    """Logistic regression: means and scales of the measures, their weights, and the offset."""

    mean: Values
    scale: Values
    weight: Values
    offset: float


@dataclass(frozen=True)
class Passes:
    """Weights of the first look, of the second, which knows more, of places, and of the last.

    Places are those of arrival; the last look compares how strokes begin.
    """

    first: Weights
    second: Weights
    place: PlaceWeights
    last: Weights


def load_weights() -> Passes:
    """The fitted weights that ship with the package."""
    data = json.loads(files("dsp.hits").joinpath("evidence.json").read_text("utf-8"))
    if data["measures"] != PASSES:
        raise ValueError("evidence.json was fitted for other measures; run bench.train_hits")
    place = PlaceWeights(*(np.array(data["place"][key]) for key in ("mean", "scale", "weight")))
    first, second, last = (_weights(data[name]) for name in ("first", "second", "last"))
    return Passes(first, second, place, last)


def _weights(data: dict[str, Any]) -> Weights:
    mean, scale, weight = (np.array(data[key]) for key in ("mean", "scale", "weight"))
    return Weights(mean, scale, weight, float(data["offset"]))


def probability(measures: Values, weights: Weights) -> Values:
    """Probability that each candidate (n, measures) is a stroke of the drum."""
    return np.asarray(1 / (1 + np.exp(-score_of(measures, weights))))


def score_of(measures: Values, weights: Weights) -> Values:
    """Log odds that each candidate (n, measures) is a stroke of the drum."""
    # Summed in a fixed order: a matrix product may differ with the number of threads.
    score = ((measures - weights.mean) / weights.scale * weights.weight).sum(axis=1)
    return np.asarray(score + weights.offset)


def measure_company(
    positions: Positions, spectra: Spectra, score: Values, asked: Positions, rate: int
) -> Values:
    """How sure the first look was, and how sure of those that sound alike, (n, 3).

    What is doubtful on its own is often plain among its like: the other strokes of the same tom,
    or the drummer's other ghosts. Only for those `asked`; the others keep their own score.
    """
    score = np.clip(score, -SURE_SCORE, SURE_SCORE)
    shape = np.ascontiguousarray(10 * np.log10(spectra.novelty).T)
    near = np.empty((len(asked), 2))
    gap = round(COMPANY_GAP_S * rate)

    def work(part: slice) -> None:
        company(
            shape, positions, score, asked[part], gap,
            COMPANY_CAP_DB, COMPANY_SCALE_DB, ALONE_DB, np.empty(len(score)), near[part],
        )  # fmt: skip

    over_chunks(work, len(asked), CHUNK)
    out = np.column_stack([score, score, np.zeros(len(score))])
    out[asked, 1:] = near
    return out


def measure_candidates(
    positions: Positions,
    spectra: Spectra,
    drum: DrumStroke,
    rises: Values,
    level_db: Values,
    rate: int,
    chosen: Positions,
) -> Values:
    """All measures of the chosen candidates, (m, len(MEASURES)).

    `positions`, `rises` and `level_db` are those of all n candidates, `spectra` of the m chosen.
    """
    explained = explain(spectra, drum)
    ratio = 10 * np.log10(spectra.novelty / drum.reference(explained[:, 10]))
    tilted = np.quantile(ratio + 1.5 * TILT_OCTAVES, [0.1, 0.25, 0.5, 0.75, 0.9], axis=1).T
    seen = 10 * np.log10(spectra.after / spectra.before)
    third = HIGH // 3 + 1
    low, attack, tail = ratio[:, :LOW], ratio[:, ATTACK], ratio[:, TAIL]
    mid, high = _middle(attack[:, :third]), _middle(attack[:, third : 2 * third])
    columns = [
        explained,
        tilted,
        _middle(low),
        np.quantile(low, 0.25, axis=1),
        mid,
        high,
        _middle(attack[:, 2 * third :]),
        _middle(tail[:, :third]),
        _middle(tail[:, third : 2 * third]),
        np.quantile(seen, [0.25, 0.5, 0.75], axis=1).T,
        rises[chosen],
        np.maximum(rises[chosen], 0).mean(axis=1),
        _louder_nearby(positions, level_db, -0.060, -0.012, rate)[chosen],
        _louder_nearby(positions, level_db, 0.001, 0.030, rate)[chosen],
        mid - high,
        _middle(low) - mid,
    ]
    return np.column_stack(columns)


def explain(spectra: Spectra, drum: DrumStroke) -> Values:
    """Evidence for a stroke by its most likely level, tilt and kind; the first measures."""
    best = _explain_as(spectra, drum.power, 0.0)
    if drum.soft is not None:
        soft = _explain_as(spectra, drum.soft, 1.0)
        best = np.where(soft[:, :1] > best[:, :1], soft, best)
    return best


def _explain_as(spectra: Spectra, power: Values, kind: float) -> Values:
    best = np.empty((len(spectra.after), 4))
    fall = TILTS_DB[:, None, None] * TILT_OCTAVES
    strokes = power * 10 ** ((LEVELS_DB[:, None] - fall) / 10)

    def work(part: slice) -> None:
        stroke_evidence(
            spectra.after[part], spectra.before[part], strokes, SPREAD_DB, CAP, KEEP, LEAST,
            best[part],
        )  # fmt: skip

    over_chunks(work, len(best), CHUNK)
    place = best[:, 1:3].astype(np.int64)
    tilt, level, stroke = TILTS_DB[place[:, 0]], LEVELS_DB[place[:, 1]], strokes[*place.T]
    error = 10 * np.log10(spectra.after / (KEEP * spectra.before + stroke))
    null = 10 * np.log10(spectra.after / spectra.before)
    two = 2 * SPREAD_DB**2
    gain = np.minimum(null**2 / two, CAP) - np.minimum(error**2 / two, CAP)
    visible = stroke > spectra.before
    count = visible.sum(axis=1)
    return np.column_stack(
        [
            best[:, 0],
            gain[:, :LOW].sum(axis=1),
            gain[:, ATTACK].sum(axis=1),
            gain[:, TAIL].sum(axis=1),
            level,
            tilt,
            count,
            (gain * visible).sum(axis=1) / (count + 3),
            best[:, 3] / error.shape[1],
            np.where(visible, np.abs(error), 0).sum(axis=1) / (count + 1),
            np.full(len(best), kind),
        ]
    )


def _middle(values: Values) -> Values:
    return np.asarray(np.median(values, axis=1))


def _louder_nearby(
    positions: Positions, level_db: Values, start_s: float, stop_s: float, rate: int
) -> Values:
    """How much louder the loudest other candidate in a stretch nearby is; at least −40 dB."""
    first = np.searchsorted(positions, positions + round(start_s * rate))
    last = np.searchsorted(positions, positions + round(stop_s * rate))
    # Pairs of a start and a stop; what lies between the pairs is reduced too, and left out.
    pairs = np.column_stack([first, last]).ravel()
    loudest = np.maximum.reduceat(np.append(level_db, -400.0), pairs)[::2]
    loudest = np.where(last > first, np.maximum(loudest, -400.0), -400.0)
    return np.clip(loudest - level_db, -40.0, 40.0)
