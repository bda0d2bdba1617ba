# SPDX-License-Identifier: GPL-3.0-or-later
"""Which hand plays which stroke: two notes, so that fast strokes do not repeat one sound."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

NOTES = (38, 40)
"""Right and left hand: the two snare drums of General MIDI. Parts and sets share them."""
FAST_S = Fraction(1, 4)
"""Strokes nearer than this alternate; a hand that plays faster alone is rare (common practice)."""


def alternate(times: Sequence[Fraction], notes: Sequence[int]) -> list[int]:
    """The note of each stroke, of `notes`: one for all, or one for each hand.

    The first hand leads: it plays every stroke that comes 250 ms or more after the last one. Faster
    strokes go from hand to hand, so none of them repeats the note before it. `times` in seconds,
    rising.
    """
    played: list[int] = []
    hand = 0
    for number, time in enumerate(times):
        fast = number > 0 and time - times[number - 1] < FAST_S
        hand = (hand + 1) % len(notes) if fast else 0
        played.append(notes[hand])
    return played
