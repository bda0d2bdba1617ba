# SPDX-License-Identifier: GPL-3.0-or-later
"""Carry out what a step decided: the one place where audio changes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dsp.curves import apply_curve
from dsp.take import Samples

if TYPE_CHECKING:
    from dsp.steps.base import Decision


def carry_out(buffer: Samples, decision: Decision) -> None:
    """Do to the audio (frames, channels) what a step decided, in place."""
    if decision.treatment is None:
        apply_curve(buffer, decision.curve)
    else:
        decision.treatment.apply(buffer)
    if decision.polarity < 0:
        np.negative(buffer, out=buffer)
    if decision.delay:
        shift(buffer, decision.delay)


def shift(buffer: Samples, delay: int) -> None:
    """Move samples (frames, channels) later by `delay`, earlier where negative, in place.

    What is moved past an end is dropped; silence fills the gap.
    """
    count = min(abs(delay), len(buffer))
    keep = len(buffer) - count
    if delay > 0:
        buffer[count:] = buffer[:keep].copy()
        buffer[:count] = 0.0
    else:
        buffer[:keep] = buffer[count:].copy()
        buffer[keep:] = 0.0


class Spent:
    """Stands for a treatment that has been carried out and let go of."""

    def apply(self, _samples: Samples) -> None:
        """Refuse: what it needed is gone."""
        raise RuntimeError("found a treatment that was carried out and let go of")


SPENT = Spent()


def without_audio(decision: Decision) -> Decision:
    """The decision as it is kept once carried out: a treatment may hold a copy of the track."""
    return decision if decision.treatment is None else replace(decision, treatment=SPENT)
