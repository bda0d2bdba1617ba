# SPDX-License-Identifier: GPL-3.0-or-later
"""The proposed recipe uses what was measured, and nothing that was not."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from bench.measures import si_sdr
from dsp.hits import find_hits
from dsp.hits.hitmap import HitMap, Ring
from dsp.printing import print_take
from dsp.proposal import proposal_yaml, propose
from dsp.recipe import load_recipe, parse_recipe, ready_chain
from dsp.take import Take
from tests.open_takes import needed, takes


def hit_map(count: int = 8, **changes: object) -> HitMap:
    onset = np.arange(count, dtype=np.int64) * 24_000
    whole = HitMap(
        rate=48_000,
        frames=200_000,
        onset=onset,
        end=onset + 12_000,
        peak_dbfs=np.linspace(-6, -12, count),
        strength_db=np.linspace(0, -6, count),
        velocity=np.full(count, 100, np.int64),
        ghost=np.zeros(count, bool),
        fundamental_hz=201.3,
        bleed_dbfs=-30.0,
        rings=(Ring(198.0, 0.8), Ring(541.7, 0.4), Ring(912.0, 0.2), Ring(1500.0, 0.05)),
    )
    return replace(whole, **changes)  # type: ignore[arg-type]


def steps(hits: HitMap) -> dict[str, dict]:
    return dict(propose(hits).steps)


def test_measured_values_stand_in_it():
    found = steps(hit_map())
    assert list(found) == ["suppress_bleed", "ride_level", "dynamic_eq", "shape_transient"]
    assert found["suppress_bleed"]["fundamental"] == "201.3 Hz"
    assert found["suppress_bleed"]["reduction"] == "18 dB"  # softest −12 dBFS over bleed −30 dBFS
    at = [(band["name"], band["at"]) for band in found["dynamic_eq"]["bands"]]
    assert at == [("ring 1", "541.7 Hz"), ("ring 2", "912.0 Hz"), ("weight", "201.3 Hz")]


def test_longer_rings_get_more():
    bands = steps(hit_map(rings=(Ring(500.0, 0.15), Ring(800.0, 0.9))))["dynamic_eq"]["bands"]
    assert [band["active"] for band in bands] == ["-8 dB", "-4 dB", "2 dB"]


def test_rings_that_one_band_covers_get_one_band():
    rings = (Ring(486.0, 0.5), Ring(555.0, 0.6), Ring(800.0, 0.3))
    bands = steps(hit_map(rings=rings))["dynamic_eq"]["bands"]
    assert [band["at"] for band in bands] == ["555.0 Hz", "800.0 Hz", "201.3 Hz"]


@pytest.mark.parametrize(
    ("changes", "absent"),
    [
        ({"bleed_dbfs": float("-inf")}, "suppress_bleed"),
        ({"rings": (), "fundamental_hz": float("nan")}, "dynamic_eq"),
        ({"ghost": np.ones(8, bool)}, "ride_level"),
    ],
)
def test_what_was_not_measured_is_not_treated(changes, absent):
    assert absent not in steps(hit_map(**changes))


def test_without_strokes_it_leaves_the_track_as_it_is():
    assert steps(hit_map(0)) == {"level": {"gain": "0 dB"}}


@pytest.mark.parametrize("track", ["top", "my snare", "007", "yes", "null"])
@pytest.mark.parametrize("count", [0, 1, 8])
def test_text_and_data_are_the_same_valid_recipe(track, count):
    proposal = propose(hit_map(count))
    text = proposal_yaml(proposal, track, ["a measured line: with colon", "# and another"])
    recipe = parse_recipe(text)
    assert list(recipe.tracks) == [track]
    assert recipe == parse_recipe(json.dumps(proposal.as_data(track)))


@pytest.mark.parametrize("name", ["loud_kick", "slow_crashes", "tuned_high"])
def test_what_it_takes_down_beats_the_ready_chain(name):
    """Open recordings in a simulated room; only `suppress_bleed` of both, which can be measured."""
    needed.recordings()
    take = takes.make(name, seed=0)
    track = Take(take.rate, {"top": take.tracks["top"][:, None]})
    proposal = propose(find_hits(track.tracks["top"], take.rate)).as_data("top")
    proposed = parse_recipe(json.dumps(proposal))
    ready = load_recipe(ready_chain("snare_top"))

    def only_bleed(recipe):
        steps = tuple(s for s in recipe.tracks["top"].steps if s.name == "suppress_bleed")
        tracks = {"top": recipe.tracks["top"].model_copy(update={"steps": steps})}
        done = print_take(track, recipe.model_copy(update={"tracks": tracks}))
        return si_sdr(take.snare["top"], done.tracks["top"].samples[:, 0])

    assert only_bleed(proposed) > only_bleed(ready)
