# SPDX-License-Identifier: GPL-3.0-or-later
"""Which sample of a set plays each stroke: its stage by velocity, its alternates in turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dsp.samples.sample_set import Sample, SampleSet


@dataclass(frozen=True)
class Stroke:
    """One stroke to be layered: `at` the sample where the real one arrives, and its `velocity`."""

    at: int
    velocity: int


@dataclass(frozen=True)
class Turn:
    """A stroke, the sample that plays it, and the gain in dB that brings it to its level."""

    stroke: Stroke
    sample: Sample
    gain_db: float


def in_turn(samples: SampleSet, strokes: Sequence[Stroke]) -> list[Turn]:
    """The turn of each stroke; within a stage the alternates follow each other."""
    played: dict[int, int] = {}
    turns = []
    for stroke in strokes:
        alternates = samples.alternates(stroke.velocity)
        stage = alternates[0].stage
        number = played.get(stage, 0)
        played[stage] = number + 1
        sample = alternates[number % len(alternates)]
        turns.append(Turn(stroke, sample, samples.gain_db(sample, stroke.velocity)))
    return turns
