# SPDX-License-Identifier: GPL-3.0-or-later
"""Fit the weights by which candidates are told to be strokes: `python -m bench.train_hits`.

Logistic regression (L2, signs held to what they mean) on the measures of all candidates in takes
of open recordings, bleed and tuning varied, and in demo takes, whose soft strokes are duller; then
a conditional logit on the places where each stroke may arrive. Prints F at ±2 ms for each take with
that take left out of every fit, then fits all and writes dsp/hits/evidence.json.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from pathlib import Path

import mir_eval
import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from bench.asking import nothing_but_help
from bench.fits import fit_logistic, fit_places
from bench.hit_measures import WINDOW_S
from dsp.demo import make_demo
from dsp.hits.alike import align_onsets
from dsp.hits.arrival import Places, PlaceWeights, measure_places
from dsp.hits.candidates import (
    Candidates,
    Track,
    choose,
    listen,
    look_again,
    measure_track,
)
from dsp.hits.evidence import COMPANY_MEASURES, LAST_MEASURES, MEASURES, PASSES, Passes, Weights
from dsp.hits.hearing import hear
from dsp.hits.onset import propose_places, visibility
from dsp.hits.possible import CERTAIN, find_possible, is_stroke
from tests.open_takes import takes

TARGET = Path(__file__).parent.parent / "dsp" / "hits" / "evidence.json"
VARIANTS = ((0, 6.0, 100), (1, 1.0, 87), (2, 9.0, 115), (3, 0.0, 100), (4, 4.0, 105))
HIT_S, NEAR_S, FAR_S = 0.0015, 0.006, 0.005
LEAST_CLEAR_DB = -4.0  # strokes below this are inaudible in their bleed; not learned from
NEAR_PLACE_S = 0.0005  # places so near the arrival are all right
DEMO = "demo"

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Example:
    """One variant of one take: its candidates, which are strokes, which are not judged."""

    name: str
    track: Track
    found: Candidates
    arrivals: NDArray[np.int64]
    stroke: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    clear: Values

    @property
    def rate(self) -> int:
        """Samples a second, of its positions."""
        return self.track.rate


def make_example(job: tuple[str, int, float, int]) -> Example:
    """Build a take with its bleed changed by some dB and its pitch by `speed` percent."""
    name, seed, bleed_db, speed = job
    drum, bleed, arrivals, clear, rate = _demo(seed) if name == DEMO else _open(name, seed)
    x = drum + 10 ** (bleed_db / 20) * bleed
    if speed != 100:
        x = resample_poly(x, speed, 100)
        arrivals = np.round(arrivals * speed / 100).astype(np.int64)
    heard = hear(np.ascontiguousarray(x)[:, None], rate)
    arrivals = arrivals - heard.offset
    track = listen(heard.sound, rate)
    found = measure_track(track)
    clear = clear - bleed_db
    nearest = np.abs(found.positions[:, None] - arrivals[None]).argmin(axis=1)
    off = np.abs(found.positions - arrivals[nearest])
    stroke = off < HIT_S * rate
    for index in range(len(arrivals)):
        mine = np.flatnonzero(nearest == index)
        if len(mine) and not stroke[mine].any() and off[mine].min() < FAR_S * rate:
            stroke[mine[np.argmin(off[mine])]] = True
    judged = (stroke | (off > NEAR_S * rate)) & ~(stroke & (clear[nearest] < LEAST_CLEAR_DB))
    return Example(name, track, found, arrivals, stroke, judged, clear)


def _open(name: str, seed: int) -> tuple[Values, Values, NDArray[np.int64], Values, int]:
    take = takes.make(name, seed=seed)
    clear = np.array([stroke.clear_db for stroke in take.strokes])
    return take.snare["top"], take.bleed["top"], take.arrivals("top"), clear, take.rate


def _demo(seed: int) -> tuple[Values, Values, NDArray[np.int64], Values, int]:
    demo = make_demo(seed=seed)
    stems = demo.stems["top"]
    drum = stems["snare"][:, 0].astype(np.float64)
    bleed = demo.take.tracks["top"][:, 0] - drum
    arrivals = np.array([stroke.samples["top"] for stroke in demo.strokes])
    return drum, bleed, arrivals, np.full(len(arrivals), 20.0), demo.take.rate


def fit(examples: Sequence[Example]) -> Weights:
    """Weights of one look, from candidates that are judged."""
    x = np.vstack([e.found.measures[e.judged] for e in examples])
    y = np.concatenate([e.stroke[e.judged] for e in examples]).astype(float)
    return fit_logistic(x, y, (MEASURES + COMPANY_MEASURES)[: x.shape[1]])


def learn_places(examples: Sequence[Example], second: Weights) -> PlaceWeights:
    """Weights of places, from strokes that are found and for which some place is right."""
    measured, right = [], []
    for e in examples:
        places, visible, chosen = _places(e, second)
        if len(chosen) == 0:
            continue
        nearest = e.arrivals[
            np.abs(e.found.positions[chosen][:, None] - e.arrivals[None]).argmin(axis=1)
        ]
        off = np.abs(places.at - nearest[:, None])
        best = off.min(axis=1, keepdims=True)
        good = off <= np.maximum(best, NEAR_PLACE_S * e.rate)
        told = (best[:, 0] < HIT_S * e.rate) & ~good.all(axis=1)
        measured.append(measure_places(e.track.sound, places, visible, e.rate)[told])
        right.append(good[told])
    return fit_places(np.concatenate(measured), np.concatenate(right))


def learn_last(examples: Sequence[Example], weights: Passes) -> Weights:
    """Weights of the last look, from all that may be strokes and are judged."""
    measured, stroke = [], []
    for e in examples:
        _, possible = find_possible(e.track, e.found, weights)
        if possible.likeness is not None:
            right, judged = _judge(e, possible.settled(e.rate))
            measured.append(possible.measures()[judged])
            stroke.append(right[judged])
    x, y = np.concatenate(measured), np.concatenate(stroke).astype(float)
    return fit_logistic(x, y, LAST_MEASURES)


def _judge(example: Example, onset: NDArray[np.int64]) -> tuple[NDArray[np.bool_], ...]:
    """Which onsets are right, and which are judged at all."""
    off = np.abs(onset[:, None] - example.arrivals)
    nearest, off = off.argmin(axis=1), off.min(axis=1)
    right = off <= WINDOW_S * example.rate
    unheard = right & (example.clear[nearest] < LEAST_CLEAR_DB)
    return right, ~unheard


def _places(example: Example, second: Weights) -> tuple[Places, Values, NDArray[np.int64]]:
    found = example.found
    chosen = choose(found, example.rate, second, CERTAIN)
    assert found.drum is not None
    visible = visibility(found.spectra.pick(chosen), found.drum, found.measures[chosen])
    at = found.positions[chosen]
    return propose_places(example.track.sound, at, visible, example.rate), visible, chosen


def passes(examples: Sequence[Example]) -> Passes:
    """All weights, from the first look on."""
    first = fit(examples)
    again = looked_again(examples, first)
    second = fit(again)
    place = learn_places(again, second)
    looks = Passes(first, second, place, second)
    return replace(looks, last=learn_last(again, looks))


def looked_again(examples: Sequence[Example], first: Weights) -> list[Example]:
    """The examples with the measures of the second look."""
    return [replace(e, found=look_again(e.found, e.rate, first)) for e in examples]


def score(example: Example, weights: Passes) -> tuple[int, int, int, int]:
    """Strokes found within 2 ms, found strokes, strokes, and those beyond reach, by onset."""
    (again,) = looked_again([example], weights.first)
    _, possible = find_possible(again.track, again.found, weights)
    kept = is_stroke(possible, weights.last, again.rate)
    onset = possible.onset[kept]
    if possible.likeness is not None:
        onset = align_onsets(again.track.sound, onset, possible.likeness.pick(kept), again.rate)
    reference, estimate = again.arrivals / again.rate, np.sort(onset) / again.rate
    hits = len(mir_eval.util.match_events(reference, estimate, WINDOW_S))
    return hits, len(onset), len(reference), int((again.clear < LEAST_CLEAR_DB).sum())


def score_without(name: str, examples: Sequence[Example]) -> tuple[str, float]:
    """A line for one take, everything fitted without it, and its F."""
    weights = passes([e for e in examples if e.name != name])
    counts = np.sum([score(e, weights) for e in examples if e.name == name], axis=0)
    hits, found, played, lost = (int(count) for count in counts)
    f = 2 * hits / (found + played)
    told = f"right {hits}, false {found - hits}, missed {played - hits} of {played}"
    return f"{name:20s} F {f:.3f}   {told}; beyond reach {lost}", f


def _written(weights: Weights | PlaceWeights) -> dict[str, list[float] | float]:
    return {
        field.name: np.vectorize(_short)(getattr(weights, field.name)).tolist()
        for field in fields(weights)
    }


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def main(given: Sequence[str] | None = None) -> None:
    """Fit, report and write."""
    nothing_but_help("python -m bench.train_hits", __doc__, given)
    names = list(dict.fromkeys([*takes.names("all"), *takes.names("optional"), DEMO]))
    jobs = [(name, *variant) for name in names for variant in VARIANTS]
    with ProcessPoolExecutor(2) as pool:
        examples = list(pool.map(make_example, jobs))
        total = []
        for line, f in pool.map(score_without, names, [examples] * len(names)):
            print(line, flush=True)
            total.append(f)
    print(f"{'mean':20s} F {np.mean(total):.3f}")
    weights = passes(examples)
    written = {f.name: _written(getattr(weights, f.name)) for f in fields(weights)}
    TARGET.write_text(json.dumps({"measures": PASSES, **written}, indent=1) + "\n", "utf-8")
    print(f"wrote {TARGET.name}, from {len(examples)} takes")


if __name__ == "__main__":
    main()
