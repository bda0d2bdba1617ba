# SPDX-License-Identifier: GPL-3.0-or-later
"""`level`: gain, polarity and delay of one track."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from dsp.curves import flat
from dsp.steps.base import Decision, Scene, Step
from dsp.units import Quantity


class Level(Step):
    """Sets gain, polarity and delay of a track.

    The only step that may move a track against the others of its take; it does so only when
    `delay` is given. Samples moved past the end are dropped, so the length stays.
    """

    name: ClassVar[str] = "level"

    gain: Annotated[float, Quantity("dB", -60, 24)] = Field(
        0.0, description="Gain on the whole track"
    )
    polarity: Literal["keep", "invert"] = Field(
        "keep", description="`invert` turns the waveform upside down"
    )
    delay: Annotated[float, Quantity("samples", -48_000, 48_000, whole=True)] = Field(
        0.0, description="Samples the track is moved later; negative moves it earlier"
    )

    def decide(self, scene: Scene) -> Decision:
        """One gain for the whole take."""
        return Decision(
            curve=flat(scene.rate, len(scene.audio), self.gain),
            step=self,
            polarity=-1 if self.polarity == "invert" else 1,
            delay=int(self.delay),
        )
