# SPDX-License-Identifier: GPL-3.0-or-later
"""Which takes there are: groove, drum, room, and how much the microphones hear of the rest."""

from dataclasses import dataclass

from tests.open_takes import grooves

LIGHT_DB, USUAL_DB, MUCH_DB, MOST_DB = 18.0, 12.0, 7.0, 3.0
"""Energy of the snare re everything else on the top microphone, over the whole take, dB.

Over the grooves, a plain gate tuned with the answer then gains 3.5 dB and keeps three ghosts of
ten.
"""

HARSH_DB = 6.0
"""How much louder everything else is where takes are made harsh: then the gate keeps no ghost."""

LOUDNESS_DB = {
    "hat closed": -4.0,
    "hat closed two": -3.0,
    "hat pedal": -9.0,
    "hat open": -2.0,
    "crash": -1.0,
    "crash two": -2.0,
    "splash": -2.0,
    "ride": -4.0,
    "ride two": -4.0,
    "china": 0.0,
    "kick": -3.0,
    "kick two": 1.0,
    "tom high": 0.0,
    "tom mid": 0.0,
    "tom low": 0.0,
}
"""How loud a full stroke is: its peak at equal distance re a full stroke of the snare, dB."""


LAYER_DB = -9.0
"""Re a full stroke: softer ones may be played by a recording of their own."""


@dataclass(frozen=True)
class Plan:
    """How a take is made.

    Attributes:
        groove: what is played.
        snare: the recording that plays the snare's strokes.
        snare_over_bleed_db: energy ratio on the top microphone; it sets how much of the other
            voices the close microphones pick up.
        walls: energy absorption of the room's walls.
        optional: true when it needs the optional package.
        soft: the recording that plays strokes softer than `LAYER_DB`, at the same levels.

    """

    groove: grooves.Groove
    snare: str
    snare_over_bleed_db: float
    walls: float = 0.45
    optional: bool = False
    soft: str | None = None


_G = grooves
GROOVES: dict[str, Plan] = {
    "backbeat_ghosts": Plan(_G.backbeat_ghosts, "snare soft", USUAL_DB),
    "fast_alternating": Plan(_G.fast_alternating, "snare soft", USUAL_DB),
    "open_hats": Plan(_G.open_hats, "snare soft", MUCH_DB),
    "slow_crashes": Plan(_G.slow_crashes, "snare generic", MUCH_DB),
    "ride_groove": Plan(_G.ride_groove, "snare soft low", USUAL_DB, 0.6),
    "tom_fills": Plan(_G.tom_fills, "snare generic tight", 10.0),
    "loud_kick": Plan(_G.loud_kick, "snare soft", USUAL_DB),
    "nearly_clean": Plan(_G.nearly_clean, "snare soft low", LIGHT_DB),
    "tuned_high": Plan(_G.tuned_high, "snare soft high", USUAL_DB),
    "tom_unison": Plan(_G.tom_unison, "snare generic", USUAL_DB, 0.6),
    "everything_loud": Plan(_G.everything_loud, "snare soft", MOST_DB, 0.3),
    "half_time": Plan(_G.half_time, "snare generic", LIGHT_DB),
}
"""The takes that main bars are taken on."""

ALL: dict[str, Plan] = {
    **GROOVES,
    "flams": Plan(_G.flams, "snare soft", USUAL_DB),
    "roll": Plan(_G.roll, "snare soft", USUAL_DB),
}
"""`GROOVES` and what no groove has: flams and rolls."""

OPTIONAL: dict[str, Plan] = {
    "ambient_backbeat": Plan(_G.backbeat_ghosts, "snare ambient", USUAL_DB, optional=True),
    "ambient_toms": Plan(_G.tom_fills, "snare ambient two", 10.0, optional=True),
    "side_stick": Plan(_G.side_stick, "snare ambient", USUAL_DB, optional=True),
}
"""Takes that need the optional package."""

DRUMS: dict[str, tuple[str, str | None]] = {
    "hit hard": ("snare hard", None),
    "two layers": ("snare hard", "snare soft"),
    "late wires": ("snare late wires", None),
}
"""Drums other than the bench's, for any groove: full strokes, and soft ones if apart.

No weight was fitted on their full strokes; how decays may swell was chosen with `late wires` in
view.
"""
