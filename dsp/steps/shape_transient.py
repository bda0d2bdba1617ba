# SPDX-License-Identifier: GPL-3.0-or-later
"""`shape_transient`: more or less attack, more or less sustain, whatever the level."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from dsp.curves import GainCurve, flat
from dsp.hits.hitmap import HitMap, Positions
from dsp.moves import Moves, select, to, trace
from dsp.steps.base import Decision, Scene, Step, StrokesKey
from dsp.steps.keys import strokes_of
from dsp.units import Quantity

CLEAR_MS = 0.5  # the gain has arrived this long before the stroke
RAMP_MS = 2.0  # on the way to a stroke: shorter than an ear needs to hear bleed move
RETURN_MS = 40.0  # back to 0 dB after the sustain


class ShapeTransient(Step):
    """Gives every stroke more or less attack and more or less sustain.

    It follows the strokes, not the level: a ghost note and a full stroke get the same treatment.
    The gain is at `attack` before the stroke's first sample, keeps it for `attack_span`, glides
    to `sustain` within the same time again, keeps that for `sustain_span` after the attack, and
    returns to 0 dB. A stroke that comes earlier takes over at once.
    """

    name: ClassVar[str] = "shape_transient"
    key_gives: ClassVar[Literal["audio", "hits"]] = "hits"

    attack: Annotated[float, Quantity("dB", -24, 24)] = Field(
        0.0, description="Gain on the beginning of each stroke"
    )
    sustain: Annotated[float, Quantity("dB", -24, 24)] = Field(
        0.0, description="Gain on the rest of each stroke"
    )
    attack_span: Annotated[float, Quantity("ms", 1, 100)] = Field(
        15.0, description="How long the attack lasts, from the stroke's first sample"
    )
    sustain_span: Annotated[float, Quantity("ms", 10, 2000, words=("stroke",))] = Field(
        300.0,
        description="How long the sustain lasts after the attack; `stroke`: until the stroke has "
        "sunk into the bleed",
    )
    key: StrokesKey = "hits"

    def decide(self, scene: Scene) -> Decision:
        """The same moves at every stroke."""
        hits = strokes_of(scene, self.key)
        frames = len(scene.audio)
        if len(hits) == 0 or self.attack == self.sustain == 0.0:
            return Decision(flat(scene.rate, frames), self)
        at, db = trace(self._moves(hits, scene.rate), 0.0, frames)
        return Decision(GainCurve(scene.rate, frames, at, db[:, None]), self)

    def _moves(self, hits: HitMap, rate: int) -> list[Moves]:
        """Into the attack, on to the sustain, and back; what the next stroke overtakes is out."""
        clear, ramp, span, back = (
            ms * rate / 1000 for ms in (CLEAR_MS, RAMP_MS, self.attack_span, RETURN_MS)
        )
        apart = np.diff(hits.onset, prepend=hits.onset[:1] - rate)
        ahead = np.minimum(round(clear), apart // 4)
        length = np.clip(apart // 2 - ahead, 1, round(ramp))
        into = to(hits.onset - ahead - length, self.attack, length)
        onward = to(hits.onset + round(span), self.sustain, span)
        after = to(np.maximum(self._stops(hits, rate), onward.start + 1), 0.0, back)
        until = np.append(into.start[1:], np.iinfo(np.int64).max)
        return [select(m, m.start < until) for m in (onward, after)] + [into]

    def _stops(self, hits: HitMap, rate: int) -> Positions:
        """Samples at which the sustain is over."""
        if isinstance(self.sustain_span, str):
            return hits.end
        lasts = round((self.attack_span + self.sustain_span) * rate / 1000)
        return np.asarray(hits.onset + lasts)
