# SPDX-License-Identifier: GPL-3.0-or-later
"""`tone`: fixed bells and shelves."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from dsp.curves import GainCurve, ShapedBand, ShapedBands
from dsp.filters import Section, cookbook_section
from dsp.fixed_filters import MinimumPhase, ZeroPhase, phase_turn
from dsp.steps.bands import PlacedBand, check_names, untuned_notes
from dsp.steps.base import Decision, Scene, Step
from dsp.units import Quantity


class ToneBand(PlacedBand):
    """One band of `tone`."""

    gain: Annotated[float, Quantity("dB", -48, 24)] = Field(0.0, description="Gain of the band")

    def place(self) -> ShapedBand:
        """Where a resolved band stands."""
        return self.placed(0.0 if isinstance(self.at, str) else self.gain)


class Tone(Step):
    """Fixed equaliser: bells and shelves whose gain never moves, by the Audio EQ Cookbook.

    Common starting points for a snare (no source): a broad bell at 200 Hz or the fundamental for
    weight, a dip at 500 or 700 Hz against honk, a high shelf for air. All bands are at 0 dB until
    a gain is given, and a band at 0 dB leaves the sound as it is. Shelves have the steepest slope
    that does not overshoot.
    """

    name: ClassVar[str] = "tone"

    bands: tuple[ToneBand, ...] = Field(min_length=1, description="The bands, in any order")
    phase: Literal["minimum", "none"] = Field(
        "minimum",
        description="`minimum`: the bands ring after a stroke, never before it, as analogue ones "
        "do; around them they turn the phase of this track against the other microphones of the "
        "drum, which can thin out their sum: the sheet says by how much, and the same bands on "
        "each of the microphones turn them alike. `none`: the same gains without phase shift, so "
        "that the microphones stay together; the bands then ring ahead of a stroke as much as "
        "after it, which is heard on low, narrow or strong bands",
    )

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        check_names(self.bands)
        return self

    def decide(self, scene: Scene) -> Decision:
        """One gain a band for the whole take."""
        bands = tuple(band.resolved(scene.hits.fundamental_hz) for band in self.bands)
        places = tuple(band.place() for band in bands)
        gains = np.array([[place.gain_db for place in places]])
        curve = GainCurve(
            scene.rate, len(scene.audio), np.zeros(1, np.int64), gains, ShapedBands(places)
        )
        notes = untuned_notes(bands)
        step = self.updated(bands=bands)
        if curve.neutral:
            return Decision(curve, step, notes=notes)
        sections = tuple(_section(place, scene.rate) for place in places if place.gain_db)
        if self.phase == "none":
            return Decision(curve, step, ZeroPhase(sections), notes=notes)
        degrees, hz = phase_turn(sections, scene.rate)
        turned = (
            f"minimum phase: turns this track by up to {abs(degrees):.0f} degrees (at {hz:.0f} Hz) "
            "against microphones without the same bands"
        )
        return Decision(curve, step, MinimumPhase(sections), notes=(*notes, turned))


def _section(place: ShapedBand, rate: float) -> Section:
    return cookbook_section(place.shape, place.at_hz, place.width_oct, place.gain_db, rate)
