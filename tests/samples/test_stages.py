# SPDX-License-Identifier: GPL-3.0-or-later
"""Stages of strength and their velocities."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.samples.stages import group_stages, natural_stages, velocity_tops

RNG = np.random.default_rng(2)


def spread(levels, stage):
    return sum(((levels[stage == s] - levels[stage == s].mean()) ** 2).sum() for s in set(stage))


def best_by_trying(levels, stages, least):
    """Every way to split the sorted levels; the obvious twin."""
    ordered, best = np.sort(levels), np.inf
    for cuts in combinations(range(1, len(levels)), stages - 1):
        parts = np.split(ordered, cuts)
        if min(map(len, parts)) >= least:
            best = min(best, sum(((p - p.mean()) ** 2).sum() for p in parts))
    return best


@pytest.mark.parametrize(
    ("count", "stages", "least"), [(9, 3, 2), (10, 4, 2), (12, 5, 2), (8, 4, 2)]
)
def test_groups_have_the_least_spread_there_is(count, stages, least):
    levels = RNG.uniform(-50, -10, count)
    stage = group_stages(levels, stages, least)
    assert spread(levels, stage) == pytest.approx(best_by_trying(levels, stages, least))
    assert np.bincount(stage)[1:].min() >= least


def test_stage_numbers_rise_with_level():
    levels = RNG.permutation(np.repeat([-40.0, -33, -26, -20, -14, -8, -2], 4)) + 0.3
    stage = group_stages(levels, 7, 2)
    assert (np.diff(stage[np.argsort(levels)]) >= 0).all()
    assert np.bincount(stage)[1:].tolist() == [4] * 7


@pytest.mark.parametrize("played", [5, 6, 8, 10])
def test_auto_takes_the_stages_that_were_played(played):
    levels = np.repeat(np.linspace(-45, -5, played), 5) + RNG.uniform(-0.6, 0.6, 5 * played)
    assert natural_stages(levels, 2) == played


def test_auto_without_gaps_is_seven_and_never_more_than_there_are_strokes_for():
    assert natural_stages(np.linspace(-40, 0, 60), 2) == 7
    assert natural_stages(np.linspace(-40, 0, 9), 2) == 4
    assert natural_stages(np.array([-3.0, -3.0]), 2) == 1


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-90, 0), min_size=1, max_size=10, unique=True), st.floats(0, 6))
def test_velocities_tile_1_to_127(levels, above):
    stage_dbfs = np.sort(np.array(levels))
    tops = velocity_tops(stage_dbfs, stage_dbfs[-1] + above)
    assert tops[-1] == 127
    assert all(low < high for low, high in zip([0, *tops], tops, strict=False))


def test_a_boundary_lies_halfway_in_decibels():
    tops = velocity_tops(np.array([-40.0, -20.0, 0.0]), 0.0)
    assert tops == [int(127 * 10 ** (-30 / 40)), int(127 * 10 ** (-10 / 40)), 127]
