# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job: one snare microphone cleaned by the ready recipe, nothing set by hand.

Open recordings in a simulated room, so the drum alone is known. Every take of `GROOVES`, as played
with two seeds that the stroke finder's weights have not been fitted on (`bench.train_hits` uses 0
to 4; groove, recordings and room are the same). Bars are means over all takes unless they say
that every stroke counts.

A ghost note *stands out* where `clear_db` is at least 6: in the best of four bands its first 20 ms
have four times the energy of all else that the microphone hears then. Softer ones are held against
the raw track: cleaning must leave no fewer of them near their own level than it found.

Four bars are not reached yet. Their tests name the bar and what is reached, and hold the latter, so
that it can only get better; each is to be set to its bar as soon as that is reached.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from bench import hit_measures, measures
from bench.hit_measures import Found, HitMeasures, Played
from bench.measures import StrokeMeasures
from dsp.printing import print_take
from dsp.recipe import load_recipe, ready_chain
from dsp.take import Take
from tests.open_takes import needed, takes
from tests.open_takes.truth import Stroke

SEEDS = (11, 12)
STANDS_OUT_DB = 6.0


@pytest.fixture(autouse=True)
def _recordings():
    needed.recordings()


@dataclass(frozen=True)
class Result:
    """One take: SI-SDR in dB before and after, strokes, their measures raw and cleaned, hits."""

    name: str
    seed: int
    before_db: float
    after_db: float
    gaps_db: float
    strokes: tuple[Stroke, ...]
    raw: list[StrokeMeasures]
    after: list[StrokeMeasures]
    hits: HitMeasures


@cache
def result(name, seed):
    take = takes.make(name, seed)
    raw, clean = take.tracks["top"], take.snare["top"]
    printed = print_take(
        Take(take.rate, {"snare": raw[:, None]}), load_recipe(ready_chain("preclean"))
    ).tracks["snare"]
    done, hits = printed.samples[:, 0], printed.hits
    played = Played(
        take.arrivals(),
        np.array([one.level_db for one in take.strokes]),
        np.array([one.ghost for one in take.strokes]),
    )
    others = np.array([one.arrival["top"] for one in take.others], dtype=np.int64)
    found = Found(hits.onset, hits.strength_db, hits.velocity)
    return Result(
        name,
        seed,
        measures.si_sdr(clean, raw),
        measures.si_sdr(clean, done),
        measures.gap_reduction(clean, raw, done, take.rate),
        take.strokes,
        measures.strokes(clean, raw, raw, take.arrivals(), take.rate),
        measures.strokes(clean, raw, done, take.arrivals(), take.rate),
        hit_measures.measure(found, played, others, take.rate),
    )


def results():
    return [result(name, seed) for seed in SEEDS for name in takes.names("grooves")]


def mean(of):
    return float(np.mean([of(one) for one in results()]))


def strokes():
    """Every stroke of every take: where it is from, its truth, and its measures."""
    return [
        (f"{one.name} {one.seed} stroke {number}", stroke, measured)
        for one in results()
        for number, (stroke, measured) in enumerate(zip(one.strokes, one.after, strict=True))
    ]


def ghosts_kept(at_least_db, raw=False):
    """Share of ghosts that are within 1.5 dB of the clean ghost's energy over 60 ms."""
    heads = [
        measured.head
        for one in results()
        for stroke, measured in zip(one.strokes, one.raw if raw else one.after, strict=True)
        if stroke.ghost and stroke.clear_db >= at_least_db
    ]
    return measures.kept(heads, measures.GHOST_WITHIN_DB)


def test_the_drum_stands_out_six_decibels_more():
    assert mean(lambda one: one.after_db - one.before_db) >= 6.0


@pytest.mark.parametrize("name", takes.names("grooves"))
def test_no_take_comes_out_worse(name):
    for seed in SEEDS:
        one = result(name, seed)
        assert one.after_db > one.before_db


def test_bleed_between_strokes_goes_down():
    assert mean(lambda one: one.gaps_db) >= 20.0


def test_ghosts_that_stand_out_keep_their_level():
    """Bar: 95 %. Reached: 74 % (raw track: 54 %); most of the rest sound with a hat or a kick."""
    assert ghosts_kept(STANDS_OUT_DB) >= 0.71


@pytest.mark.parametrize("clear_db", [-np.inf, 0.0, 3.0])
def test_of_all_ghosts_more_are_near_their_level_than_in_the_raw_track(clear_db):
    assert ghosts_kept(clear_db) > ghosts_kept(clear_db, raw=True)


def test_full_strokes_keep_their_level():
    """Bar: all within 0.5 dB. Reached: 90 %; of the rest, most run into the next within 0.1 s."""
    off = {
        where: round(m.head, 2)
        for where, stroke, m in strokes()
        if not stroke.ghost and abs(m.head) > measures.FULL_WITHIN_DB
    }
    assert len(off) <= 0.11 * sum(not stroke.ghost for _, stroke, _ in strokes())


def test_hardly_a_strokes_attack_is_further_from_the_drum_than_it_was():
    """Bar: none by more than 1 dB of SNR. Reached: 98 %; most others were not found in time."""
    worse = {where: round(m.first_40, 2) for where, _, m in strokes() if m.first_40 < -1.0}
    assert len(worse) <= 0.025 * len(strokes())


def test_strokes_are_found_within_two_milliseconds():
    """Bar: F 0.97. Reached: 0.93; one stroke in twenty-five is under its bleed in every band."""
    assert mean(lambda one: one.hits.f) >= 0.92


def test_onsets_are_right_to_a_quarter_of_a_millisecond():
    assert mean(lambda one: one.hits.error) <= 0.00025 * takes.RATE


def test_strengths_rank_as_they_were_played():
    assert mean(lambda one: one.hits.spearman) >= 0.97
