# SPDX-License-Identifier: GPL-3.0-or-later
"""`soften`: peaks rounded, and none above a true-peak ceiling."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from dsp.curves import GainCurve, flat
from dsp.kernels.compress import draw_lines
from dsp.moves import within
from dsp.soften_plan import Plan
from dsp.softening import Shape
from dsp.steps.base import Decision, Scene, Step
from dsp.steps.keys import amplitude
from dsp.units import Quantity

LINE_DB = 0.02  # the lane's lines stay this near to what was measured


class Soften(Step):
    """Rounds peaks off, and lets none above a true-peak ceiling.

    A limiter that looks ahead takes down what is further than `clip` above the ceiling; a clipper
    rounds what is left, from `knee` under the ceiling on, along a curve without corners; a guard
    takes down the little that rises above the ceiling again on the way back from the higher rate,
    until nothing is left that does. Peaks count between the samples too, at 16 times the rate. What
    stays under the rounding's start is not touched at all. All channels get the limiter's gain
    together; each is rounded for itself. The lane shows what all of this takes off together.
    """

    name: ClassVar[str] = "soften"

    ceiling: Annotated[float, Quantity("dBTP", -24, 0)] = Field(
        -1.0, description="No true peak comes out higher than this"
    )
    knee: Annotated[float, Quantity("dB", 0.5, 24)] = Field(
        6.0,
        description="How far under the ceiling the rounding begins; more is softer, less leaves "
        "more of the track as it is",
    )
    clip: Annotated[float, Quantity("dB", 0, 24)] = Field(
        3.0,
        description="How far above the ceiling a peak may go into the rounding; what is higher is "
        "turned down by the limiter first. 0 leaves most to the limiter, more is harder on peaks "
        "and keeps the level",
    )
    lead: Annotated[float, Quantity("ms", 0.5, 20)] = Field(
        1.5, description="How far ahead of a peak the limiter begins to turn down"
    )
    release: Annotated[float, Quantity("ms", 1, 2000)] = Field(
        60.0, description="Time constant of the limiter's way back, in dB"
    )
    oversampling: Literal[4, 8, 16] = Field(
        8, description="How many times the rate the rounding is computed at; more has less aliasing"
    )

    def decide(self, scene: Scene) -> Decision:
        """The gains that are needed, found by measuring the outcome."""
        frames = len(scene.audio)
        ceiling = amplitude(self.ceiling)
        shape = Shape(
            rate=scene.rate,
            start=amplitude(self.ceiling - self.knee),
            ceiling=ceiling,
            limit=amplitude(self.ceiling + self.clip),
            oversampling=self.oversampling,
            lead_ms=self.lead,
            release_ms=self.release,
        )
        plan = Plan(scene.audio, shape)
        down = plan.reduction_db
        if not down.any():
            return Decision(flat(scene.rate, frames), self)
        cells, db = np.empty(len(down) + 2, np.int64), np.empty(len(down) + 2)
        count = draw_lines(down, 0, LINE_DB, np.empty(5), cells, db)
        cells = np.append(cells[:count], len(down))
        db = np.minimum(np.append(db[:count], down[-1]), 0.0)
        at = plan.softening.first + cells * shape.cell + shape.cell // 2
        at, db = within(at, db, frames)
        return Decision(GainCurve(scene.rate, frames, at, db[:, None]), self, plan.softening)
