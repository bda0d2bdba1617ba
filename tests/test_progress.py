# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a run is: rising, told from within parts too, and where a stopped run ends."""

import pytest

from dsp.progress import Going, Stopped


@pytest.fixture
def heard():
    return []


@pytest.fixture
def going(heard):
    return Going(4, lambda share, doing: heard.append((share, doing)))


def test_parts_begin_where_the_last_one_ended(going, heard):
    for name in "abcd":
        going.advance(name)
    assert heard == [(0.0, "a"), (0.25, "b"), (0.5, "c"), (0.75, "d")]


def test_a_part_is_filled_from_within(going, heard):
    going.advance("a")
    going.advance("b")
    for share in (0.5, 1.0):
        going.within("b", share)
    assert heard[1:] == [(0.25, "b"), (0.375, "b"), (0.5, "b")]


def test_parts_that_overlap_never_let_it_fall(going, heard):
    going.advance("a")
    going.within("a", 0.9)
    going.advance("b")
    going.within("b", 0.8)
    going.within("a", 0.1)
    shares = [share for share, _ in heard]
    assert shares == sorted(shares)


def test_it_never_says_more_than_all(going, heard):
    for _ in range(9):
        going.advance("more than planned")
        going.within("more than planned", 0.5)
    assert max(heard)[0] == 1.0


def test_a_stopped_run_ends_where_a_part_begins_or_is_told_of(going):
    going.advance("a")
    going.stop()
    with pytest.raises(Stopped):
        going.within("a", 0.5)
    with pytest.raises(Stopped):
        going.advance("b")


def test_nobody_needs_to_listen():
    silent = Going(1, None)
    silent.advance("a")
    silent.within("a", 1.0)
