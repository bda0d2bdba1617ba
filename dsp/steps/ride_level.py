# SPDX-License-Identifier: GPL-3.0-or-later
"""`ride_level`: moves the fader, one move per stroke."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from dsp.curves import GainCurve, flat
from dsp.hits.hitmap import HitMap, Values
from dsp.moves import Moves, select, to, trace
from dsp.steps.base import Decision, Scene, Step, StrokesKey
from dsp.steps.keys import peaks_dbfs, strokes_of
from dsp.units import Quantity

CLEAR_MS = 1.0  # the gain has arrived this long before the stroke
RAMP_MS = 8.0  # on the way to a stroke
RETURN_MS = 20.0  # back to 0 dB once a stroke has died away
LISTEN_MS = 100.0  # a stroke's peak is looked for in this much of it


class RideLevel(Step):
    """Moves the fader, one move per stroke, so that strokes come out at an even level.

    Each stroke is moved by `share` of its distance to `toward`, at most `lift_at_most` up and
    `lower_at_most` down. The gain is constant from 1 ms before a stroke until it has died away:
    its attack and its decay keep their shape. It changes before the next stroke, and it returns
    to 0 dB in gaps that are long enough to do so, so that bleed is not raised along with soft
    strokes.
    """

    name: ClassVar[str] = "ride_level"
    key_gives: ClassVar[Literal["audio", "hits"]] = "hits"

    toward: Annotated[float | str, Quantity("dBFS", -120, 24, words=("typical",))] = Field(
        "typical",
        description="Level that strokes are moved toward, as a sample peak; `typical` is the "
        "median peak of the full strokes as they reach the step",
    )
    share: Annotated[float, Quantity("%", 0, 100)] = Field(
        60.0, description="How much of a stroke's distance to `toward` is taken away"
    )
    lift_at_most: Annotated[float, Quantity("dB", 0, 24)] = Field(
        6.0, description="The most a stroke is raised"
    )
    lower_at_most: Annotated[float, Quantity("dB", 0, 24)] = Field(
        6.0, description="The most a stroke is lowered"
    )
    ghosts: Literal["keep", "ride"] = Field(
        "keep",
        description="`keep`: ghost notes keep their distance from the full strokes around them: "
        "they get the gain of the full stroke before and after, in proportion to how near each "
        "is in time; `ride`: they are moved toward `toward` like any other stroke",
    )
    key: StrokesKey = "hits"

    def decide(self, scene: Scene) -> Decision:
        """One gain per stroke, and moves between them."""
        hits = strokes_of(scene, self.key)
        frames = len(scene.audio)
        clear, listen = (round(ms * scene.rate / 1000) for ms in (CLEAR_MS, LISTEN_MS))
        listened = np.minimum(hits.end, hits.onset + listen)
        # a microphone nearer than the keyed one hears the stroke a little before its onset
        peaks = peaks_dbfs(scene.audio, hits.onset - clear, listened)
        step = self.updated(toward=self._toward(hits, peaks))
        gains = step._gains(hits, peaks)
        if not gains.any():
            return Decision(flat(scene.rate, frames), step)
        at, db = trace(_moves(hits, gains, scene.rate), 0.0, frames)
        return Decision(GainCurve(scene.rate, frames, at, db[:, None]), step)

    def _toward(self, hits: HitMap, peaks: Values) -> float | str:
        """The level to move toward as a number, rounded as the sheet will give it."""
        full = peaks[~hits.ghost & np.isfinite(peaks)]
        if self.toward != "typical" or len(full) == 0:
            return self.toward
        return round(float(np.clip(np.median(full), -120.0, 24.0)), 2)

    def _gains(self, hits: HitMap, peaks: Values) -> Values:
        """Gain in dB of each stroke."""
        heard = np.isfinite(peaks)
        ridden = heard & (~hits.ghost if self.ghosts == "keep" else True)
        gains = np.zeros(len(hits))
        if isinstance(self.toward, str) or not ridden.any():
            return gains
        wanted = self.share / 100.0 * (self.toward - peaks[ridden])
        moved = np.clip(wanted, -self.lower_at_most, self.lift_at_most)
        gains[ridden] = moved
        around = heard & ~ridden
        gains[around] = np.interp(hits.onset[around], hits.onset[ridden], moved)
        return gains


def _moves(hits: HitMap, gains: Values, rate: int) -> list[Moves]:
    """To each stroke's gain before it begins, and back to 0 dB after it where there is time."""
    clear, ramp, back = (round(ms * rate / 1000) for ms in (CLEAR_MS, RAMP_MS, RETURN_MS))
    apart = np.diff(hits.onset, prepend=hits.onset[0] - 4 * (ramp + clear))
    length = np.minimum(ramp, np.maximum(1, apart // 2 - clear))
    ready = hits.onset - np.minimum(clear, apart // 4)
    going = to(ready - length, gains, length)
    until = np.append(going.start[1:], np.iinfo(np.int64).max)
    return [select(to(hits.end, 0.0, back), hits.end + back <= until), going]
