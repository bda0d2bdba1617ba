# SPDX-License-Identifier: GPL-3.0-or-later
"""Two notes for two hands."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.samples.hands import FAST_S, alternate


def played(gaps_ms: list[int], notes: tuple[int, ...] = (38, 40)) -> list[int]:
    times = [Fraction(sum(gaps_ms[: n + 1]), 1000) for n in range(len(gaps_ms))]
    return alternate(times, notes)


@given(st.lists(st.integers(1, 600), max_size=40))
def test_fast_strokes_never_repeat_a_note_and_the_first_hand_leads(gaps: list[int]) -> None:
    notes = played(gaps)
    for number, gap in enumerate(gaps):
        if number == 0 or gap >= FAST_S * 1000:
            assert notes[number] == 38
        else:
            assert notes[number] != notes[number - 1]


@pytest.mark.parametrize(
    ("gaps", "notes"),
    [
        ([0, 500, 500], [38, 38, 38]),
        ([0, 100, 100, 100, 300, 100], [38, 40, 38, 40, 38, 40]),
        ([], []),
    ],
)
def test_strokes_fall_as_a_drummer_would_play_them(gaps: list[int], notes: list[int]) -> None:
    assert played(gaps) == notes


def test_one_note_stands_for_all() -> None:
    assert played([0, 50, 50], (37,)) == [37, 37, 37]
