# SPDX-License-Identifier: GPL-3.0-or-later
"""`blend`: a parallel copy of the track with steps of its own, mixed back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from dsp.carrying import carry_out, without_audio
from dsp.curves import GainCurve, flat
from dsp.level_change import DEEPEST_DB, level_change
from dsp.recipe.item import AnyStep
from dsp.steps.base import Decision, Scene, Step
from dsp.take import CHUNK, Samples
from dsp.units import Quantity

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
        for number, step in enumerate(self.steps):

            def told(share: float, number: int = number) -> None:
                scene.told((number + share) / len(self.steps))

            decision = step.decide(replace(scene, audio=copy, told=told))
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
        """How much louder in dB the sum is than `audio`."""
        if self.wet:
            return level_change(audio, self._mix, rate)
        factor = self.dry if audio.any() else 1.0
        return flat(rate, len(audio), 20 * np.log10(factor) if factor else DEEPEST_DB)
