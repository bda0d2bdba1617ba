# SPDX-License-Identifier: GPL-3.0-or-later
"""`dynamic_eq`: bands with one gain while a stroke sounds and another while none does."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar, Self

import numpy as np
from pydantic import Field, model_validator

from dsp.curves import GainCurve, ShapedBand, ShapedBands
from dsp.filters import shaped_section
from dsp.hits.hitmap import HitMap, Positions, Values
from dsp.moves import TOLERANCE_DB, Moves, switched, trace
from dsp.steps.bands import PlacedBand, check_names, untuned_notes
from dsp.steps.base import AUTO, Decision, Key, Scene, Step
from dsp.steps.keys import filtered, sound_of, spans_heard, strokes_of
from dsp.units import Quantity

ARRIVED_DB = 0.1  # `lead: auto` is long enough to come this near to `active`
RING_MS = 0.5  # bands that ring longer must not be away from 0 dB just before a stroke
HYSTERESIS_DB = 6.0  # a band that listens to a level lets go this far under its threshold
CLEAR_MS = 1.0  # a delayed band is at rest again this long before the next stroke
RETURN_MS = 8.0  # on the way there


class Band(PlacedBand):
    """One band of `dynamic_eq`."""

    rest: Annotated[float, Quantity("dB", -48, 24)] = Field(
        0.0, description="Gain while no stroke sounds"
    )
    active: Annotated[float, Quantity("dB", -48, 24)] = Field(
        0.0, description="Gain while a stroke sounds"
    )
    threshold: Annotated[float | str, Quantity("dBFS", -140, 24, words=("hits",))] = Field(
        "hits",
        description="What makes the band active: `hits`: each stroke; or the level that the key's "
        "sound reaches within this very band (it lets go 6 dB lower)",
    )
    delay: Annotated[float, Quantity("ms", 0, 1000)] = Field(
        0.0,
        description="The band becomes active this long after the stroke began, so that the "
        "attack passes; it is at rest again before the next stroke. Strokes that are over sooner "
        "do not move it",
    )
    lead: Annotated[float | str, Quantity("ms", 0, 500, words=(AUTO,))] = Field(
        AUTO,
        description="Without delay: how far ahead of the stroke the band begins to change; "
        "`auto`: as far as `attack` needs to be within 0.1 dB of `active` when the stroke begins; "
        "but 0 where `active` is further from 0 dB than `rest` and the band rings for more than "
        "0.5 ms, because a band without phase shift rings ahead of a stroke as well as after it",
    )
    hold: Annotated[float | str, Quantity("ms", 1, 10_000, words=("stroke",))] = Field(
        "stroke",
        description="How long after its beginning a stroke keeps the band active; `stroke`: "
        "until it has sunk into the bleed, or let go of the threshold",
    )
    attack: Annotated[float, Quantity("ms", 0.01, 500)] = Field(
        1.0, description="Time constant from `rest` to `active`, in dB"
    )
    release: Annotated[float, Quantity("ms", 0.1, 5000)] = Field(
        50.0, description="Time constant from `active` to `rest`, in dB"
    )

    @model_validator(mode="after")
    def _lead_has_a_meaning(self) -> Self:
        if self.delay and isinstance(self.lead, float) and self.lead:
            raise ValueError(
                f"found lead {self.lead:g} ms and delay {self.delay:g} ms; accepted: one of them"
            )
        return self

    @property
    def widest_db(self) -> float:
        """The larger of both gains, either sign."""
        return max(self.rest, self.active, key=abs)

    @property
    def departs(self) -> bool:
        """Whether the band is further from 0 dB while a stroke sounds than while none does."""
        return abs(self.active) > abs(self.rest)

    def resolved(self, fundamental_hz: float) -> Self:
        """The band with numbers for every word that a number can replace."""
        band = super().resolved(fundamental_hz)
        return band.updated(lead=band._needed_lead()) if self.lead == AUTO else band

    def _needed_lead(self) -> float:
        """What `lead: auto` stands for, in ms."""
        place = self.place()
        if self.delay or (self.departs and ring_ms(place) > RING_MS):
            return 0.0
        depth = abs(self.active - self.rest) / (ARRIVED_DB - TOLERANCE_DB)
        return min(500.0, math.ceil(10 * math.log(max(depth, 1.0)) * self.attack) / 10)

    def place(self) -> ShapedBand:
        """The filter of a resolved band."""
        return self.placed(self.widest_db)


def ring_ms(place: ShapedBand) -> float:
    """Time constant in ms by which a band's own ringing dies away."""
    if place.shape != "bell":  # the poles of a Butterworth filter
        return 1000.0 / (math.sqrt(2.0) * math.pi * place.at_hz)
    half: float = 2.0 ** (place.width_oct / 2.0)
    return 1000.0 / (math.pi * place.at_hz * (half - 1.0 / half))


class DynamicEq(Step):
    """Bells and shelves whose gain is `rest` while no stroke sounds and `active` while one does.

    To tame a ring: rest 0 dB, active −8 dB, delay 12 ms. To add weight at the fundamental: rest
    0 dB, active +4 dB. For the wires of a bottom microphone: a high shelf, rest −15 dB, active
    0 dB. For brightness without more cymbals: rest 0 dB, active +5 dB. The strokes are known
    beforehand, so a band can have changed before the stroke begins. The bands have no phase
    shift, and at 0 dB they leave the sound as it is. A low or narrow band that leaves 0 dB for
    the stroke does so at its first sample, and is back before the next: it would be heard ringing
    ahead of the stroke.
    """

    name: ClassVar[str] = "dynamic_eq"

    bands: tuple[Band, ...] = Field(min_length=1, description="The bands, in any order")
    key: Key = Field(
        "hits",
        description="Whose strokes the bands follow, and whose sound a band with a level as "
        "`threshold` listens to: `hits` (the strokes the track is keyed by, and its own sound as "
        "it reaches the step), `own` (strokes found on this track, and the same sound), or the "
        "name of another track",
    )

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        check_names(self.bands)
        return self

    def sources(self) -> Mapping[str, str]:
        """Another track is needed for its strokes, its sound, or both."""
        if self.key in {"hits", "own"}:
            return {}
        levels_only = all(b.threshold != "hits" and b.at != "fundamental" for b in self.bands)
        return {self.key: "audio" if levels_only else "hits"}

    def decide(self, scene: Scene) -> Decision:
        """A lane for each band."""
        frames = len(scene.audio)
        follows = any("hits" in {b.threshold} or b.at == "fundamental" for b in self.bands)
        hits = strokes_of(scene, self.key) if follows else None
        tuned = hits.fundamental_hz if hits is not None else math.nan
        bands = tuple(band.resolved(tuned) for band in self.bands)
        lanes = [_lane(band, scene, self.key, hits) for band in bands]
        at = np.unique(np.concatenate([positions for positions, _ in lanes]))
        db = np.stack([np.interp(at, *lane) for lane in lanes], axis=1)
        layout = ShapedBands(tuple(band.place() for band in bands))
        notes = untuned_notes(bands)
        curve = GainCurve(scene.rate, frames, at, db, layout)
        return Decision(curve, self.updated(bands=bands), notes=notes)


def _lane(band: Band, scene: Scene, key: str, hits: HitMap | None) -> tuple[Positions, Values]:
    """Points and gains of one resolved band."""
    rate, frames = scene.rate, len(scene.audio)
    if isinstance(band.at, str):
        return np.zeros(1, np.int64), np.zeros(1)
    if band.rest == band.active:
        return np.zeros(1, np.int64), np.array([band.rest])
    if isinstance(band.threshold, str):
        starts, stops = (hits.onset, hits.end) if hits is not None else _nothing()
    else:
        place = band.place()
        section = shaped_section(place.shape, place.at_hz, place.width_oct, place.gain_db, rate)
        heard = filtered(sound_of(scene, key), rate, [section])
        close_at = band.threshold - HYSTERESIS_DB
        starts, stops = spans_heard(heard, rate, band.threshold, close_at)
    return trace(_moves(band, starts, stops, rate), band.rest, frames)


def _nothing() -> tuple[Positions, Positions]:
    return np.zeros(0, np.int64), np.zeros(0, np.int64)


def _moves(band: Band, starts: Positions, stops: Positions, rate: int) -> list[Moves]:
    """Moves of one band for strokes that begin at `starts` and end at `stops`."""
    per_ms = rate / 1000
    begin = round((band.delay - float(band.lead)) * per_ms)
    if not isinstance(band.hold, str):
        stops = starts + round(band.hold * per_ms)
    gains = (band.rest, band.active)
    constants = (band.attack * per_ms, band.release * per_ms)
    if not band.delay and (band.lead or not band.departs):
        return switched(starts + begin, stops, gains, constants)
    apart = np.diff(starts, prepend=starts[:1] - 4 * rate)
    clear = np.minimum(round(CLEAR_MS * per_ms), apart // 4)
    back = np.minimum(RETURN_MS * per_ms, np.maximum(apart // 2 - clear, 1))
    return switched(starts + begin, stops, gains, constants, starts - clear, back)
