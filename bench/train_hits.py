# SPDX-License-Identifier: GPL-3.0-or-later
"""Fit the weights by which candidates are told to be strokes: `python -m bench.train_hits`.

Logistic regression (L2, signs held to what they mean) on the measures of all candidates in takes
of open recordings, bleed and tuning varied, and in demo takes, whose soft strokes are duller.
Prints F for each take with that take left out of the fit, then fits all and writes
dsp/hits/evidence.json.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.signal import resample_poly

from dsp.demo import make_demo
from dsp.hits.evidence import MEASURES, Weights
from dsp.hits.find import Candidates, choose, look_again, measure_track
from dsp.hits.hearing import hear
from dsp.hits.rises import measure_energies
from tests.open_takes import takes

TARGET = Path(__file__).parent.parent / "dsp" / "hits" / "evidence.json"
VARIANTS = ((0, 0.0, 100), (1, -5.0, 87), (2, 3.0, 115), (3, 0.0, 100), (4, -2.0, 105))
HIT_S, NEAR_S, FAR_S = 0.0015, 0.006, 0.005
LEAST_CLEAR_DB = -4.0  # strokes below this are inaudible in their bleed; not learned from
PENALTY = 3.0
DEMO = "demo"
FOR = {"evidence", "low", "attack", "tail", "visible", "per_visible", "seen25", "seen50", "seen75"}
AGAINST = {"excess", "misfit", "tilt", "louder_before", "louder_after"}

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Example:
    """One variant of one take: its candidates, which are strokes, which are not judged."""

    name: str
    found: Candidates
    arrivals: NDArray[np.int64]
    stroke: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    clear: Values
    rate: int


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
    found = measure_track(heard.sound, measure_energies(heard.sound, rate), rate)
    clear = clear - bleed_db
    nearest = np.abs(found.positions[:, None] - arrivals[None]).argmin(axis=1)
    off = np.abs(found.positions - arrivals[nearest])
    stroke = off < HIT_S * rate
    for index in range(len(arrivals)):
        mine = np.flatnonzero(nearest == index)
        if len(mine) and not stroke[mine].any() and off[mine].min() < FAR_S * rate:
            stroke[mine[np.argmin(off[mine])]] = True
    judged = (stroke | (off > NEAR_S * rate)) & ~(stroke & (clear[nearest] < LEAST_CLEAR_DB))
    return Example(name, found, arrivals, stroke, judged, clear, rate)


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


def fit(examples: list[Example]) -> Weights:
    """Logistic regression, each weight on the side of zero that its measure means."""
    x = np.vstack([e.found.measures[e.judged] for e in examples])
    y = np.concatenate([e.stroke[e.judged] for e in examples]).astype(float)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-12
    design = np.column_stack([(x - mean) / scale, np.ones(len(x))])
    penalty = np.append(np.full(len(mean), PENALTY), 0.0)

    def loss(weight: Values) -> tuple[float, Values]:
        score = design @ weight
        value = np.logaddexp(0, score) - y * score
        gradient = design.T @ (1 / (1 + np.exp(-score)) - y) + penalty * weight
        return float(value.sum() + 0.5 * (penalty * weight**2).sum()), gradient

    bounds = [_side(name) for name in MEASURES] + [(None, None)]
    start = np.zeros(design.shape[1])
    weight = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x
    return Weights(mean, scale, weight[:-1], float(weight[-1]))


def _side(name: str) -> tuple[float | None, float | None]:
    if name in FOR:
        return 0.0, None
    return (None, 0.0) if name in AGAINST else (None, None)


def score(example: Example, weights: Weights) -> tuple[int, int, int]:
    """True and false positives within 5 ms, and reachable strokes missed."""
    estimate = list(example.found.positions[choose(example.found, example.rate, weights)])
    hits = missed = 0
    for arrival, clear in zip(example.arrivals, example.clear, strict=True):
        near = [e for e in estimate if abs(e - arrival) <= FAR_S * example.rate]
        if near:
            estimate.remove(min(near, key=lambda e: abs(e - arrival)))
            hits += 1
        elif clear >= LEAST_CLEAR_DB:
            missed += 1
    return hits, len(estimate), missed


def leave_one_out(examples: list[Example], names: list[str]) -> Iterator[str]:
    """A line for each take, fitted without it."""
    total = []
    for name in names:
        weights = fit([e for e in examples if e.name != name])
        counts = np.sum([score(e, weights) for e in examples if e.name == name], axis=0)
        hits, false, missed = (int(count) for count in counts)
        total.append(2 * hits / (2 * hits + false + missed))
        yield f"{name:20s} F {total[-1]:.3f}   found {hits}, false {false}, missed {missed}"
    yield f"{'mean':20s} F {np.mean(total):.3f}"


def _written(weights: Weights) -> dict[str, list[float] | float]:
    def short(values: Values) -> list[float]:
        return [float(f"{value:.6g}") for value in values]

    return {
        "mean": short(weights.mean),
        "scale": short(weights.scale),
        "weight": short(weights.weight),
        "offset": float(f"{weights.offset:.6g}"),
    }


def main() -> None:
    """Fit, report and write."""
    names = list(dict.fromkeys([*takes.names("all"), *takes.names("optional"), DEMO]))
    jobs = [(name, *variant) for name in names for variant in VARIANTS]
    with ProcessPoolExecutor(2) as pool:
        examples = list(pool.map(make_example, jobs))
    first = fit(examples)
    again = [replace(e, found=look_again(e.found, e.rate, first)) for e in examples]
    for line in leave_one_out(again, names):
        print(line, flush=True)
    data = {"measures": MEASURES, "first": _written(first), "second": _written(fit(again))}
    TARGET.write_text(json.dumps(data, indent=1) + "\n", "utf-8")
    print(f"wrote {TARGET.name}: {len(MEASURES)} measures from {len(examples)} takes")


if __name__ == "__main__":
    main()
