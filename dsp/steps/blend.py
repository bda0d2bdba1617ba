# SPDX-License-Identifier: GPL-3.0-or-later
"""`blend`: a parallel copy of the track with steps of its own, mixed back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from dsp.carrying import carry_out, without_audio
from dsp.curves import GainCurve, flat
from dsp.recipe.item import AnyStep
from dsp.steps.base import Decision, Scene, Step
from dsp.take import CHUNK, Samples, sounding_part
from dsp.units import Quantity

WINDOW_MS = 10.0  # the lane shows energies over this long, overlapping by half
HOPS = 256  # looked at in one go
MOST_DB = 96.0  # further apart, what comes out and what went in have nothing to do with each other
Level = Annotated[float | str, Quantity("dB", -60, 24, words=("off",))]


class Blend(Step):
    """Mixes a copy of the track, which goes through steps of its own, back under the track.

    For heavy treatment under the natural sound: the copy is compressed hard, or gated, or cut to
    one band, and comes back at `level`. Copy and track stay aligned to the sample. The lane shows
    how much louder or softer the sum is than the track alone.
    """

    name: ClassVar[str] = "blend"

    level: Level = Field(-6.0, description="Gain on the copy; `off` leaves it out")
    dry: Level = Field(0.0, description="Gain on the track itself; `off` leaves the copy alone")
    steps: tuple[AnyStep, ...] = Field(
        min_length=1, description="Steps of the copy, in the order in which they run"
    )

    def sources(self) -> Mapping[str, str]:
        """What the steps of the copy need."""
        needs: dict[str, str] = {}
        for step in self.steps:
            for track, need in step.sources().items():
                if needs.get(track) != "audio":  # the larger need: the sound, and strokes in it
                    needs[track] = need
        return needs

    def decide(self, scene: Scene) -> Decision:
        """Run the copy through its steps; the lane is measured on the sum."""
        copy = scene.audio.copy()
        inner = []
        for step in self.steps:
            decision = step.decide(replace(scene, audio=copy))
            carry_out(copy, decision)
            inner.append(without_audio(decision))
        mix = Mix(copy, gain(self.level), gain(self.dry))
        return Decision(
            curve=mix.lane(scene.audio, scene.rate),
            step=self.updated(steps=tuple(decision.step for decision in inner)),
            treatment=mix,
            notes=tuple(note for decision in inner for note in decision.notes),
            inner=tuple(inner),
        )


def gain(level: float | str) -> float:
    """Factor of a level in dB; 0 for `off`."""
    return 0.0 if isinstance(level, str) else 10.0 ** (level / 20.0)


@dataclass(frozen=True, eq=False)
class Mix:
    """The treated copy (frames, channels), its factor and that of the track."""

    copy: Samples
    wet: float
    dry: float

    def apply(self, samples: Samples) -> None:
        """Mix the copy into samples (frames, channels), in place; a chunk at a time."""
        for start in range(0, len(samples), CHUNK):
            self._mix(samples[start : start + CHUNK], start)

    def _mix(self, part: Samples, start: int) -> None:
        if self.dry != 1.0:
            part *= self.dry
        if self.wet:
            part += self.wet * self.copy[start : start + len(part)]

    def lane(self, audio: Samples, rate: int) -> GainCurve:
        """How much louder in dB the sum is than `audio`, over windows of `WINDOW_MS`.

        Windows count from the first sound, so that silence ahead of it changes nothing.
        """
        frames = len(audio)
        first, _ = sounding_part(audio)
        if not audio.any() or not self.wet:
            factor = self.dry if audio.any() else 1.0
            return flat(rate, frames, 20 * np.log10(factor) if factor else -MOST_DB)
        hop = WINDOW_MS * rate / 2000
        edges = first + np.rint(hop * np.arange(1 + (frames - first) / hop)).astype(np.int64)
        edges = edges[edges < frames]
        before, after = self._energies(audio, edges)
        at = np.minimum(edges + round(hop / 2), frames - 1)
        return GainCurve(rate, frames, at, louder_db(before, after)[:, None])

    def _energies(
        self, audio: Samples, edges: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], ...]:
        """Energy of track and sum in windows of two hops, one around each hop between `edges`."""
        sums = np.zeros((2, len(edges) + 2))  # a hop of silence at either end
        for first in range(0, len(edges), HOPS):
            own = edges[first : first + HOPS]
            start = int(own[0])
            stop = int(edges[first + HOPS]) if first + HOPS < len(edges) else len(audio)
            into = slice(first + 1, first + 1 + len(own))
            part = audio[start:stop].copy()
            sums[0, into] = np.add.reduceat(np.square(part).sum(axis=1), own - start)
            self._mix(part, start)
            sums[1, into] = np.add.reduceat(np.square(part).sum(axis=1), own - start)
        around = sums[:, 1:-1] + 0.5 * (sums[:, :-2] + sums[:, 2:])
        return around[0], around[1]


def louder_db(before: NDArray[np.float64], after: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ratio of energies in dB, within ±`MOST_DB`; 0 dB where both are silent."""
    with np.errstate(divide="ignore", invalid="ignore"):
        db = 10.0 * np.log10(after / before)
    return np.clip(np.nan_to_num(db, nan=0.0, posinf=MOST_DB, neginf=-MOST_DB), -MOST_DB, MOST_DB)
