# SPDX-License-Identifier: GPL-3.0-or-later
"""Fit the weights by which candidates are told to be strokes: `python -m bench.train_hits`.

Logistic regression (L2, Newton's method) on the measures of all candidates in takes of open
recordings: bleed and tuning varied. Prints F for each take with that take left out of the fit,
then fits all and writes dsp/hits/evidence.json.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from dsp.hits.evidence import MEASURES, Weights
from dsp.hits.find import Candidates, choose, measure_track
from dsp.hits.rises import measure_energies
from tests.open_takes import takes

TARGET = Path(__file__).parent.parent / "dsp" / "hits" / "evidence.json"
VARIANTS = ((0, 0.0, 100), (1, -5.0, 87), (2, 3.0, 115), (3, 0.0, 100), (4, -2.0, 105))
HIT_S, NEAR_S, FAR_S = 0.0015, 0.006, 0.005
LEAST_CLEAR_DB = -4.0  # strokes below this are inaudible in their bleed; not learned from
PENALTY = 3.0

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
    take = takes.make(name, seed=seed)
    x = take.snare["top"] + 10 ** (bleed_db / 20) * take.bleed["top"]
    arrivals = take.arrivals("top")
    if speed != 100:
        x = resample_poly(x, speed, 100)
        arrivals = np.round(arrivals * speed / 100).astype(np.int64)
    x = np.ascontiguousarray(x)
    found = measure_track(x, measure_energies(x, take.rate), take.rate)
    clear = np.array([stroke.clear_db for stroke in take.strokes]) - bleed_db
    nearest = np.abs(found.positions[:, None] - arrivals[None]).argmin(axis=1)
    off = np.abs(found.positions - arrivals[nearest])
    stroke = off < HIT_S * take.rate
    for index in range(len(arrivals)):
        mine = np.flatnonzero(nearest == index)
        if len(mine) and not stroke[mine].any() and off[mine].min() < FAR_S * take.rate:
            stroke[mine[np.argmin(off[mine])]] = True
    judged = (stroke | (off > NEAR_S * take.rate)) & ~(stroke & (clear[nearest] < LEAST_CLEAR_DB))
    return Example(name, found, arrivals, stroke, judged, clear, take.rate)


def fit(examples: list[Example]) -> Weights:
    """Logistic regression by Newton's method."""
    x = np.vstack([e.found.measures[e.judged] for e in examples])
    y = np.concatenate([e.stroke[e.judged] for e in examples]).astype(float)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-12
    design = np.column_stack([(x - mean) / scale, np.ones(len(x))])
    penalty = np.append(np.full(len(mean), PENALTY), 0.0)
    weight = np.zeros(design.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(design @ weight, -40, 40)))
        gradient = design.T @ (p - y) + penalty * weight
        curvature = (design * (p * (1 - p))[:, None]).T @ design + np.diag(penalty + 1e-9)
        weight = weight - np.linalg.solve(curvature, gradient)
    return Weights(mean, scale, weight[:-1], float(weight[-1]))


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


def main() -> None:
    """Fit, report and write."""
    names = list(dict.fromkeys([*takes.names("all"), *takes.names("optional")]))
    jobs = [(name, *variant) for name in names for variant in VARIANTS]
    with ProcessPoolExecutor(2) as pool:
        examples = list(pool.map(make_example, jobs))
    for line in leave_one_out(examples, names):
        print(line, flush=True)
    weights = fit(examples)
    data = {
        "measures": MEASURES,
        "mean": [float(f"{v:.6g}") for v in weights.mean],
        "scale": [float(f"{v:.6g}") for v in weights.scale],
        "weight": [float(f"{v:.6g}") for v in weights.weight],
        "offset": float(f"{weights.offset:.6g}"),
    }
    TARGET.write_text(json.dumps(data, indent=1) + "\n", "utf-8")
    print(f"wrote {TARGET.name}: {len(MEASURES)} measures from {len(examples)} takes")


if __name__ == "__main__":
    main()
