# SPDX-License-Identifier: GPL-3.0-or-later
"""`gate`: two thresholds, hold, range, look-ahead, and a key that may be something else."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Self

import numpy as np
from pydantic import Field, model_validator

from dsp.curves import GainCurve, flat
from dsp.filters import Section, high_pass, low_pass
from dsp.hits.hitmap import HitMap, Positions, Values
from dsp.kernels.envelope import last_above
from dsp.moves import switched, trace
from dsp.steps.base import AUTO, Decision, Key, Scene, Step
from dsp.steps.keys import (
    Sound,
    amplitude,
    bleed_peaks_dbfs,
    fall_of,
    filtered,
    peaks_dbfs,
    sound_of,
    spans_heard,
)
from dsp.units import Quantity

UNDER_SOFTEST_DB = 6.0  # `open_at: auto` lies this far under the softest stroke, if bleed allows
OVER_BLEED_DB = 3.0  # `close_at: auto` lies this far above the bleed, if strokes allow
NARROW_DB = 3.0  # strokes less than this above the bleed are reported
DEEPEST_DB = 60.0  # bleed further under the softest stroke than this counts as being there
LOWEST_DBFS, HIGHEST_DBFS = -140.0, 24.0


class Gate(Step):
    """Opens for strokes and takes everything between them down by `range`.

    It opens when a sample of the key reaches `open_at` and closes `hold` after the key's envelope
    was last at `close_at` or above. With `key: hits` only strokes open it: those whose peak in
    this track reaches `open_at`, from their first sample until they stay under `close_at` or have
    sunk into the bleed, and then for `hold`. The take is known, so it begins to open `lead` before
    that, and nothing shifts. `attack` and `release` are time constants: 63.2 % of the way, in dB.
    """

    name: ClassVar[str] = "gate"

    open_at: Annotated[float | str, Quantity("dBFS", LOWEST_DBFS, HIGHEST_DBFS, words=(AUTO,))] = (
        Field(
            AUTO,
            description="Level of the key that opens the gate; `auto`: 6 dB under the softest "
            "stroke, or half way to the loudest bleed where that is nearer",
        )
    )
    close_at: Annotated[float | str, Quantity("dBFS", LOWEST_DBFS, HIGHEST_DBFS, words=(AUTO,))] = (
        Field(
            AUTO,
            description="Level of the key under which it closes, at most `open_at`; `auto`: 3 dB "
            "above the usual bleed, or a quarter of the way to the softest stroke if nearer",
        )
    )
    hold: Annotated[float, Quantity("ms", 0, 5000)] = Field(
        20.0, description="How long it stays open once the key is under `close_at`"
    )
    attack: Annotated[float, Quantity("ms", 0.01, 500)] = Field(
        0.3, description="Time constant of opening"
    )
    release: Annotated[float, Quantity("ms", 0.1, 5000)] = Field(
        60.0, description="Time constant of closing"
    )
    range: Annotated[float, Quantity("dB", 0, 120)] = Field(
        30.0, description="How far down it goes when closed; 0 dB does nothing"
    )
    lead: Annotated[float, Quantity("ms", 0, 100)] = Field(
        3.0, description="How far ahead of the stroke it begins to open"
    )
    listen_from: Annotated[float | str, Quantity("Hz", 10, 20_000, words=("off",))] = Field(
        "off", description="The key is heard from this frequency up; `off`: no limit"
    )
    listen_to: Annotated[float | str, Quantity("Hz", 10, 20_000, words=("off",))] = Field(
        "off", description="The key is heard up to this frequency; `off`: no limit"
    )
    key: Key = Field(
        "hits",
        description="What opens it: `hits` (the strokes the track is keyed by, where they are loud "
        "enough in this track), `own` (the sound of this track as it reaches the step), or the "
        "name of another track (its sound as recorded)",
    )

    @model_validator(mode="after")
    def _thresholds_in_order(self) -> Self:
        numbers = not isinstance(self.open_at, str) and not isinstance(self.close_at, str)
        if numbers and self.close_at > self.open_at:  # type: ignore[operator]
            raise ValueError(
                f"found close_at {self.close_at:g} dB above open_at {self.open_at:g} dB; "
                "accepted: close_at at or below open_at"
            )
        return self

    @model_validator(mode="after")
    def _some_band_is_heard(self) -> Self:
        low, high = self.listen_from, self.listen_to
        if not isinstance(low, str) and not isinstance(high, str) and low >= high:
            raise ValueError(
                f"found listen_from {low:g} Hz at or above listen_to {high:g} Hz; "
                "accepted: listen_from below listen_to"
            )
        return self

    def decide(self, scene: Scene) -> Decision:
        """Open for as long as strokes are heard in the key."""
        frames, rate = len(scene.audio), scene.rate
        heard = filtered(sound_of(scene, self.key), rate, self._listening(rate))
        strokes = peaks_dbfs(heard, scene.hits.onset, scene.hits.end)
        step, notes = self._resolved(heard, scene.hits, strokes)
        if self.range == 0.0:
            return Decision(flat(rate, frames), step, notes=notes)
        opens, stops = step._spans(heard, scene.hits, strokes)
        ahead, *constants = (ms * rate / 1000 for ms in (self.lead, self.attack, self.release))
        moves = switched(
            opens - round(ahead), stops, (-self.range, 0.0), (constants[0], constants[1])
        )
        at, db = trace(moves, -self.range, frames)
        return Decision(GainCurve(rate, frames, at, db[:, None]), step, notes=notes)

    def _listening(self, rate: int) -> list[Section]:
        """Filters of the key."""
        sections = []
        if not isinstance(self.listen_from, str):
            sections.append(high_pass(self.listen_from, rate))
        if not isinstance(self.listen_to, str):
            sections.append(low_pass(self.listen_to, rate))
        return sections

    def _resolved(
        self, heard: Sound, hits: HitMap, strokes: Values
    ) -> tuple[Gate, tuple[str, ...]]:
        """The gate with its thresholds as numbers, and what the user should know about them."""
        if self.open_at != AUTO and self.close_at != AUTO:
            return self, ()
        bleed = bleed_peaks_dbfs(heard, hits)
        open_at, close_at, apart_db = measured_thresholds(strokes, bleed)
        notes: tuple[str, ...] = ()
        if math.isnan(apart_db):
            notes = ("no stroke is heard in the key, so the gate stays closed",)
        elif apart_db < NARROW_DB and self.key != "hits":
            notes = (
                f"the softest stroke is {apart_db:.1f} dB above the loudest bleed in the key: no "
                "threshold tells them apart well; `key: hits` does not open for bleed",
            )
        if isinstance(self.open_at, float):
            open_at, close_at = self.open_at, min(close_at, self.open_at)
        elif isinstance(self.close_at, float):
            open_at, close_at = max(open_at, self.close_at), self.close_at
        return self.updated(open_at=open_at, close_at=close_at), notes

    def _spans(self, heard: Sound, hits: HitMap, strokes: Values) -> tuple[Positions, Positions]:
        """First samples of what opens the gate, and the samples at which it begins to close."""
        open_at, close_at = float(self.open_at), float(self.close_at)
        if self.key != "hits":
            return spans_heard(heard, hits.rate, open_at, close_at, self.hold)
        loud = strokes >= open_at
        opens, ends = hits.onset[loud], hits.end[loud]
        stops = np.empty(len(opens), np.int64)
        last_above(heard, opens, ends, amplitude(close_at), fall_of(hits.rate), stops)
        return opens, stops + round(self.hold * hits.rate / 1000)


def measured_thresholds(strokes: Values, bleed: Values) -> tuple[float, float, float]:
    """`open_at` and `close_at` in dBFS, between the softest stroke and the bleed.

    `strokes` and `bleed` are sample peaks in dBFS of each stroke and of pieces of bleed. Bleed
    must not open the gate: there it is the level that 95 % of its pieces stay under. It must not
    keep it open for good: there it is the median. The third number is how far the softest stroke
    is above the former, in dB; NaN without strokes.
    """
    strokes = strokes[np.isfinite(strokes)]
    if len(strokes) == 0:
        loudest = float(bleed.max(initial=-np.inf))
        closed = _threshold(loudest + 1.0) if math.isfinite(loudest) else 0.0
        return closed, closed, math.nan
    softest = float(strokes.min())
    bleed = np.maximum(bleed if len(bleed) else -np.inf, softest - DEEPEST_DB)
    loud, typical = (float(np.quantile(bleed, part, method="lower")) for part in (0.95, 0.5))
    opens = softest - min(UNDER_SOFTEST_DB, max(softest - loud, 0.0) / 2)
    closes = typical + min(OVER_BLEED_DB, max(softest - typical, 0.0) / 4)
    return _threshold(opens), _threshold(min(opens, closes)), softest - loud


def _threshold(level: float) -> float:
    """Rounded down to 0.01 dB, so that the softest stroke itself still reaches it."""
    return min(max(math.floor(level * 100.0) / 100.0, LOWEST_DBFS), HIGHEST_DBFS)
