# SPDX-License-Identifier: GPL-3.0-or-later
"""The stretch that is compared."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.compare.excerpt import busiest_excerpt, check_length, given_excerpt
from dsp.errors import UsageError
from tests.compare.sounds import RATE, hit_map

MINUTE = 60 * RATE


def at(*groups):
    """Strokes: (first second, how many, seconds apart, every which one is a ghost)."""
    found = []
    for start, count, apart, every in groups:
        found += [(start + n * apart, every and n % every == 0) for n in range(count)]
    found.sort()
    return hit_map([round(s * RATE) for s, _ in found], [bool(g) for _, g in found], MINUTE)


def test_the_busiest_part_with_both_kinds_wins_over_a_busier_one_without():
    hits = at((2, 20, 0.4, 0), (20, 30, 0.25, 3), (40, 60, 0.1, 0))
    found = busiest_excerpt(hits, 8.0)
    assert found.start == round(19.75 * RATE)
    assert found.frames == 8 * RATE
    assert found.how == "the busiest: 20 full strokes and 10 ghost notes"


def test_a_lone_ghost_among_many_full_strokes_is_not_enough():
    hits = at((5, 40, 0.2, 40), (30, 20, 0.4, 2))
    assert busiest_excerpt(hits, 8.0).start == round(29.75 * RATE)


def test_without_ghosts_the_busiest_part():
    hits = at((5, 10, 0.5, 0), (30, 20, 0.25, 0))
    assert busiest_excerpt(hits, 5.0).start == 30 * RATE  # the first of two that hold all twenty


def test_it_agrees_with_looking_at_every_start():
    rng = np.random.default_rng(8)
    onsets = np.sort(rng.choice(np.arange(RATE, MINUTE - RATE, 4800), 90, replace=False))
    hits = hit_map(onsets.tolist(), (rng.random(90) < 0.3).tolist(), MINUTE)
    best = []
    for onset in hits.onset:
        start = min(max(onset - RATE // 4, 0), MINUTE - 8 * RATE)
        inside = (hits.onset >= start) & (hits.onset < start + 8 * RATE)
        ghosts = int(hits.ghost[inside].sum())
        rarer = min(ghosts, inside.sum() - ghosts)
        best.append((2 if rarer >= 0.1 * inside.sum() else min(rarer, 1), inside.sum(), -start))
    assert busiest_excerpt(hits, 8.0).start == -max(best)[2]


def test_the_end_and_a_short_take():
    late = at((58, 8, 0.2, 2))
    assert busiest_excerpt(late, 10.0).stop == MINUTE
    assert busiest_excerpt(late, 60.0).how == "the whole take"
    nothing = busiest_excerpt(hit_map([], [], MINUTE), 10.0)
    assert (nothing.start, nothing.frames) == (0, 10 * RATE)


@pytest.mark.parametrize(
    ("from_s", "to_s", "expected"),
    [(5.0, None, (5, 25)), (None, 30.0, (10, 30)), (3.0, 4.5, (3, 4.5)), (50.0, None, (50, 60))],
)
def test_it_can_be_asked_for(from_s, to_s, expected):
    found = given_excerpt(RATE, MINUTE, 20.0, from_s, to_s)
    assert (found.start / RATE, found.stop / RATE) == expected


@pytest.mark.parametrize(("from_s", "to_s"), [(61.0, None), (10.0, 10.0), (-1.0, 5.0)])
def test_what_lies_outside_is_refused(from_s, to_s):
    with pytest.raises(UsageError, match=r"within 0 to 60\.000 s"):
        given_excerpt(RATE, MINUTE, 20.0, from_s, to_s)


def test_lengths():
    assert check_length(None, 1.0, 2.0) == 20.0
    assert given_excerpt(RATE, MINUTE, 20.0, None, None) is None
    with pytest.raises(UsageError, match="two of the three"):
        check_length(5.0, 1.0, 2.0)
    with pytest.raises(UsageError, match="1 to 120 s"):
        check_length(0.5, None, None)
