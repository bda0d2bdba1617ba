# SPDX-License-Identifier: GPL-3.0-or-later
"""What is played: each groove is a list of notes, drawn with a seeded random generator."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Rng = np.random.Generator

LATE_S = 0.004
"""Players are early or late by up to this."""

LEAD_IN_S = 0.25
"""Time before the first beat; microphones alone."""


@dataclass(frozen=True)
class Note:
    """One stroke of any voice.

    Attributes:
        at_s: moment of the stroke, s.
        voice: `snare`, or a name of `sources.RECORDINGS`.
        level_db: dB re the full stroke of the voice.
        kind: `stroke`, `grace` (of a flam), `roll`, or `side stick`.
        exact: true when the time is kept as written.

    """

    at_s: float
    voice: str
    level_db: float
    kind: str = "stroke"
    exact: bool = False


Groove = Callable[[Rng], list[Note]]


def full(rng: Rng) -> float:
    """Level of a full stroke, dB."""
    return float(rng.uniform(-4.0, 0.0))


def ghost(rng: Rng) -> float:
    """Level of a ghost note, dB."""
    return float(rng.uniform(-28.0, -14.0))


class Chart:
    """Sixteenths of a bar as text, one row a voice, repeated for some bars.

    Signs: `X` full, `x` softer (-8 to -4 dB), `s` soft (-12 to -8 dB), `o` ghost, `.` nothing.
    Spaces are for the reader.
    """

    def __init__(self, rng: Rng, bpm: float, bars: int, per_bar: int = 16) -> None:
        self.rng = rng
        self.bars = bars
        self.per_bar = per_bar
        self.step_s = 240.0 / bpm / per_bar
        self.notes: list[Note] = []

    def row(self, voice: str, signs: str, kind: str = "stroke") -> "Chart":
        """Add a voice; `signs` covers one or more bars and is repeated to the end."""
        pattern = signs.replace(" ", "")
        for step in range(self.bars * self.per_bar):
            sign = pattern[step % len(pattern)]
            if sign != ".":
                at_s = LEAD_IN_S + step * self.step_s
                self.notes.append(Note(at_s, voice, self._level(sign), kind))
        return self

    def add(self, *notes: Note) -> "Chart":
        """Add single notes."""
        self.notes.extend(notes)
        return self

    def _level(self, sign: str) -> float:
        if sign == "X":
            return full(self.rng)
        if sign == "o":
            return ghost(self.rng)
        top = -8.0 if sign == "s" else -4.0
        return float(self.rng.uniform(top - 4.0, top))


def backbeat_ghosts(rng: Rng) -> list[Note]:
    """Backbeat with ghost notes between, closed hats."""
    chart = Chart(rng, 96.0, 4)
    chart.row("hat closed", "X.x. X.x. X.x. X.x.")
    chart.row("kick", "X... ..x. ..X. ....")
    return chart.row("snare", "...o X..o .o.o X.o. .o.. X..o .o.. X..o").notes


def fast_alternating(rng: Rng) -> list[Note]:
    """Alternating sixteenths and twenty-fourths, 73 to 110 ms apart, loud and soft mixed."""
    chart = Chart(rng, 137.0, 5)
    chart.row("hat pedal", ".... X... .... X...")
    chart.row("kick", "X... X... X... X...")
    chart.row("snare", "Xsxs XsxX sxsX xsXs")
    start = LEAD_IN_S + 5 * 16 * chart.step_s
    faster = chart.step_s * 2.0 / 3.0
    for n in range(18):
        level = full(rng) if n % 6 == 0 else float(rng.uniform(-12.0, -5.0))
        chart.add(Note(start + n * faster, "snare", level))
    return chart.notes


def open_hats(rng: Rng) -> list[Note]:
    """Loud open hats in eighths."""
    chart = Chart(rng, 112.0, 4)
    chart.row("hat open", "X.x. X.x. X.x. X.x.")
    chart.row("kick", "X... ..X. X.X. ....")
    return chart.row("snare", ".... X... .o.. X..o .... X.o. .... X...").notes


def slow_crashes(rng: Rng) -> list[Note]:
    """Slow and crash-heavy."""
    chart = Chart(rng, 72.0, 3)
    chart.row("crash", "X... .... X... .... X... .... .... ....")
    chart.row("crash two", ".... .... .... .... .... .... X... ....")
    chart.row("kick", "X... ...x X... ....")
    return chart.row("snare", ".... X..o .... X.oo").notes


def ride_groove(rng: Rng) -> list[Note]:
    """Ride in swung eighths, soft and full snare strokes."""
    chart = Chart(rng, 104.0, 4, per_bar=12)
    chart.row("ride", "X.. x.x X.. x.x")
    chart.row("hat pedal", "... X.. ... X..")
    chart.row("kick", "x.. x.. x.. x.x")
    return chart.row("snare", "..o ..x .o. X.. ..o X.o ..x ..o").notes


def tom_fills(rng: Rng) -> list[Note]:
    """Fills over the toms with snare strokes between."""
    chart = Chart(rng, 108.0, 4)
    chart.row("kick", "X... x... X... x...")
    chart.row("crash two", "X... .... .... ....  .... .... .... ....")
    chart.row("tom high", "..X. .x.. .... .... ...X .... .x.. ....")
    chart.row("tom mid", ".... ..X. .x.. .... .... .X.. ..X. ....")
    chart.row("tom low", ".... .... ..XX ..X. .... ..x. ...x .X..")
    return chart.row("snare", "Xo.. X..o X..o X..X X.o. X..o X.o. X.X.").notes


def loud_kick(rng: Rng) -> list[Note]:
    """Busy loud kick, some strokes with the snare."""
    chart = Chart(rng, 118.0, 5)
    chart.row("kick two", "XX.X X..X X.XX .X.X")
    chart.row("hat closed two", "X.X. X.X. X.X. X.X.")
    return chart.row("snare", ".... X..o ..o. X...").notes


def nearly_clean(rng: Rng) -> list[Note]:
    """Little bleed; every strength."""
    chart = Chart(rng, 100.0, 4)
    chart.row("hat closed", "X... X... X... X...")
    chart.row("kick", "X... .... X... ....")
    return chart.row("snare", "..o. X.ox .o.o X.xo").notes


def tuned_high(rng: Rng) -> list[Note]:
    """High tuning: the main mode lies near 450 Hz."""
    chart = Chart(rng, 126.0, 5)
    chart.row("hat closed two", "X.xx X.xx X.xx X.xx")
    chart.row("kick", "X... X... X... X...")
    return chart.row("snare", "..o. X..o ..oo X.o. ..o. X.o. X..o X..o").notes


def tom_unison(rng: Rng) -> list[Note]:
    """Snare and tom struck at the same instant, then apart."""
    chart = Chart(rng, 92.0, 3)
    chart.row("kick", "X... .... X... ....")
    chart.row("ride two", "X... X... X... X...")
    chart.row("snare", ".... X..o .... o..o .o.. X... ..o. x...")
    for bar in range(3):
        start = LEAD_IN_S + bar * 16 * chart.step_s
        for step, tom in ((0, "tom low"), (8, "tom mid"), (14, "tom high")):
            at_s = start + step * chart.step_s
            chart.add(Note(at_s, "snare", full(rng), exact=True))
            chart.add(Note(at_s, tom, full(rng), exact=True))
        chart.add(Note(start + 6 * chart.step_s, "tom high", full(rng)))
    return chart.notes


def everything_loud(rng: Rng) -> list[Note]:
    """Crash, open hats, kick and toms, all of them loud."""
    chart = Chart(rng, 132.0, 5)
    chart.row("crash", "X... .... .... ....  .... .... X... ....")
    chart.row("hat open", "..X. X.X. X.X. X.X.")
    chart.row("kick two", "X..X .... X.X. ....")
    chart.row("tom low", ".... .... .... ..X.  .... .... .... ....")
    return chart.row("snare", ".... X... .... X... .o.. X..o .... X.X.").notes


def half_time(rng: Rng) -> list[Note]:
    """Half-time shuffle: a web of ghost notes in triplets under closed hats."""
    chart = Chart(rng, 88.0, 3, per_bar=12)
    chart.row("hat closed", "X.x X.x X.x X.x")
    chart.row("kick", "X.. ..x ... ..X")
    return chart.row("snare", ".o. .o. Xo. .o.").notes


def flams(rng: Rng) -> list[Note]:
    """Flams: a grace note 15 to 30 ms ahead of the stroke."""
    chart = Chart(rng, 100.0, 4)
    chart.row("hat closed", "X.x. X.x. X.x. X.x.")
    chart.row("kick", "X... .... X... ....")
    for beat in range(16):
        at_s = LEAD_IN_S + beat * 4 * chart.step_s
        if beat % 2 == 1:
            apart = float(rng.uniform(0.015, 0.030))
            grace = float(rng.uniform(-18.0, -8.0))
            chart.add(Note(at_s - apart, "snare", grace, "grace", exact=True))
            chart.add(Note(at_s, "snare", full(rng), exact=True))
        elif beat % 4 == 2:
            chart.add(Note(at_s, "snare", full(rng)))
    return chart.notes


def roll(rng: Rng) -> list[Note]:
    """Single strokes, then a soft roll of strokes 45 to 60 ms apart that swells to an accent."""
    chart = Chart(rng, 90.0, 3)
    chart.row("kick", "X... .... X... ....")
    chart.row("ride", "X... X... X... X...")
    chart.row("snare", ".... X... .... ....")
    for bar in range(3):
        start = LEAD_IN_S + (bar * 16 + 7) * chart.step_s
        end = LEAD_IN_S + (bar * 16 + 14) * chart.step_s
        at_s = start
        while at_s < end:
            swell = (at_s - start) / (end - start)
            level = -22.0 + 10.0 * swell + float(rng.uniform(-2.0, 2.0))
            chart.add(Note(at_s, "snare", level, "roll", exact=True))
            at_s += float(rng.uniform(0.045, 0.060))
        chart.add(Note(end + 0.06, "snare", full(rng)))
    return chart.notes


def side_stick(rng: Rng) -> list[Note]:
    """Side stick with a few full strokes, china and ride."""
    chart = Chart(rng, 84.0, 3)
    chart.row("ride two", "X.x. X.x. X.x. X.x.")
    chart.row("china", "X... .... .... ....  .... .... .... ....")
    chart.row("kick", "X..x .... X.x. ....")
    chart.row("side stick", ".... X... .... X..x", kind="side stick")
    return chart.row("snare", ".... .... .... .... .... .... ..X. .X..").notes
