# SPDX-License-Identifier: GPL-3.0-or-later
"""Takes of open recordings through the ready recipes, and how near the result is to the drum."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from bench import bounds, hit_measures, measures
from bench.hit_measures import Found, HitMeasures
from bench.measures import StrokeMeasures
from dsp.printing import print_take
from dsp.recipe import load_recipe, ready_chain
from dsp.take import Take
from tests.open_takes import takes
from tests.open_takes.truth import Stroke

FULL_DB = -4.01  # what grooves call a full stroke, and rounding


@dataclass(frozen=True)
class Result:
    """One take: SI-SDR in dB, strokes, their measures raw and cleaned, and hits.

    `ideal_db` is the SI-SDR under the best full-band gain that knows the drum.
    """

    name: str
    seed: int
    before_db: float
    after_db: float
    ideal_db: float
    gaps_db: float
    strokes: tuple[Stroke, ...]
    raw: list[StrokeMeasures]
    after: list[StrokeMeasures]
    hits: HitMeasures


@cache
def result(name, seed, louder_db=0.0, chain="preclean", drum=None):
    """The take `name`, printed by a ready chain."""
    take = takes.make(name, seed, louder_db, drum)
    raw, clean = take.tracks["top"], take.snare["top"]
    tracks = {"snare": raw[:, None]}
    if chain == "preclean_witness":
        tracks["overhead"] = np.ascontiguousarray(take.tracks["overhead"][:, None])
    recipe = load_recipe(ready_chain(chain))
    printed = print_take(Take(take.rate, tracks), recipe).tracks["snare"]
    done, hits = printed.samples[:, 0], printed.hits
    others = np.array([one.arrival["top"] for one in take.others], dtype=np.int64)
    found = Found(hits.onset, hits.strength_db, hits.velocity)
    return Result(
        name,
        seed,
        measures.si_sdr(clean, raw),
        measures.si_sdr(clean, done),
        measures.si_sdr(clean, bounds.ideal_gain(clean, raw, take.rate)),
        measures.gap_reduction(clean, raw, done, take.rate),
        take.strokes,
        measures.strokes(clean, raw, raw, take.arrivals(), take.rate),
        measures.strokes(clean, raw, done, take.arrivals(), take.rate),
        hit_measures.measure(found, hit_measures.played_in(take), others, take.rate),
    )


def mean(of, over):
    return float(np.mean([of(one) for one in over]))


def strokes(over):
    """Every stroke of every take: where it is from, its truth, and its measures."""
    return [
        (f"{one.name} {one.seed} stroke {number}", stroke, measured)
        for one in over
        for number, (stroke, measured) in enumerate(zip(one.strokes, one.after, strict=True))
    ]


def ghosts_kept(over, at_least_db=-np.inf, raw=False):
    """Share of ghosts that are within 1.5 dB of the clean ghost's energy over 60 ms."""
    heads = [
        measured.head
        for one in over
        for stroke, measured in zip(one.strokes, one.raw if raw else one.after, strict=True)
        if stroke.ghost and stroke.clear_db >= at_least_db
    ]
    return measures.kept(heads, measures.GHOST_WITHIN_DB)


def off(over, least_db):
    """Strokes from a level on, ghosts left out, that are more than 0.5 dB from their level."""
    return {
        where: round(m.head, 2)
        for where, stroke, m in strokes(over)
        if not stroke.ghost and stroke.level_db > least_db and abs(m.head) > measures.FULL_WITHIN_DB
    }


def worse(over):
    """Strokes whose first 40 ms are further from the drum than raw by more than 1 dB of SNR."""
    return {where: round(m.first_40, 2) for where, _, m in strokes(over) if m.first_40 < -1.0}
