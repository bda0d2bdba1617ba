# SPDX-License-Identifier: GPL-3.0-or-later
"""Tails of layered strokes under later ones: what they hold at the fundamental, how they yield."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dsp.samples.placing import Sound, fundamental_at
from dsp.take import Samples

YIELD_S = 0.030  # some periods of the fundamental: the new stroke covers it (by judgement)


@dataclass(frozen=True, eq=False)
class Ringing:
    """A layered stroke that still sounds: its `number`, and where its `sound` (n,) starts."""

    number: int
    start: int
    sound: Sound

    @property
    def end(self) -> int:
        """The sample (exclusive) at which it has ended."""
        return self.start + len(self.sound)

    def yielding(self, at: int, rate: int) -> Ringing:
        """The same, fading from sample `at` of the take on."""
        sound = faded(self.sound[:, None], at - self.start, rate)[:, 0]
        return replace(self, sound=sound)


def tail_at(ringing: Sequence[Ringing], at: int, stop: int, hz: float, rate: int) -> complex:
    """What all of them hold at the fundamental from sample `at` on: see `fundamental_at`."""
    parts = (fundamental_at(e.sound, at - e.start, stop - e.start, hz, rate) for e in ringing)
    return sum(parts, 0j)


def faded(sound: Samples, after: int, rate: int) -> Samples:
    """What is left of sound (n, channels) that fades within 30 ms from sample `after` on."""
    count = round(YIELD_S * rate)
    left: Samples = np.array(sound[: max(after + count, 0)])
    first = max(after, 0)
    steps = np.arange(first - after, len(left) - after) + 1
    left[first:] *= np.cos(np.pi / 2 * np.minimum(steps / count, 1.0))[:, None] ** 2
    return left
