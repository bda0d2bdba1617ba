# SPDX-License-Identifier: GPL-3.0-or-later
"""What is played: an invented drum part of twelve bars, with human timing and dynamics.

A pattern is a string over one bar, its length the number of steps. Snare: `g` ghost, `t` tap,
`m` medium, `a` accent, `B` backbeat, `R` rim shot. Hi-hat: `x` closed, `X` closed and loud, `o`
open, `p` pedal. Ride `r`, crash `C`, crash grabbed by hand `!`, kick `K` and soft `k`, toms `1`
(rack) and `2` (floor).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TITLE = "Low Tide Ledger"  # an invented song
BPM = 116.0
LEAD_IN = 0.35
QUIET_END = 2.4
BAR = 4 * 60 / BPM

# letter: (kind, level in dB re a full stroke of that voice, its spread, lateness in s, its spread)
Play = tuple[str, float, float, float, float]
LETTERS: dict[str, dict[str, Play]] = {
    "snare": {
        "g": ("ghost", -18.5, 0.9, 0.002, 0.0050),
        "t": ("tap", -13.0, 0.9, 0.0, 0.0035),
        "m": ("tap", -9.0, 0.9, 0.0, 0.0035),
        "a": ("accent", -4.5, 0.8, 0.0, 0.0030),
        "B": ("backbeat", -1.4, 0.6, 0.006, 0.0035),
        "R": ("rimshot", -1.6, 0.4, 0.005, 0.0035),
    },
    "hat": {
        "x": ("closed", -5.0, 1.2, 0.0, 0.0035),
        "X": ("closed", -1.0, 0.8, 0.0, 0.0035),
        "o": ("open", -1.0, 1.0, 0.0, 0.0035),
        "p": ("pedal", -3.0, 1.0, 0.0, 0.0050),
    },
    "ride": {"r": ("tip", -3.0, 1.3, 0.001, 0.0035)},
    "crash": {
        "C": ("edge", -1.0, 0.8, 0.0, 0.0040),
        "c": ("edge", -7.0, 1.0, 0.0, 0.0040),
        "!": ("choke", 0.0, 0.0, 0.0, 0.0),
    },
    "kick": {"K": ("beater", -1.0, 0.8, 0.0, 0.0040), "k": ("beater", -7.0, 1.2, 0.0, 0.0040)},
    "toms": {"1": ("rack", -2.0, 1.0, 0.0, 0.0035), "2": ("floor", -1.5, 1.0, 0.0, 0.0035)},
}

VERSE = {
    "hat": "X.x.X.x.X.x.X.x.", "snare": "....B..g.g..B..g", "kick": "K.....K...K.....",
}  # fmt: skip
VERSE_OPEN = {
    "hat": "X.x.X.x.X.x.X.o.", "snare": ".g..B..g.g.gB.g.", "kick": "K.....K..kK.....",
}  # fmt: skip
LIFT = {
    "hat": "X.o.X.x.X.o.X.o.", "snare": "...gB.g..g.gB..g", "kick": "K..k..K...K..k..",
}  # fmt: skip
LOUD = {
    "crash": "C...C...C...C...", "snare": "....R.......R.g.", "kick": "K.K...K.K.K...K.",
}  # fmt: skip
LOUD_TURN = {
    "crash": "C...C...C.C.C...", "snare": "....R..a....R.mm", "kick": "K.K...K.K.K...K.",
}  # fmt: skip
RIDE = {
    "crash": "C...............", "ride": "..r.r.r.r.r.r.r.", "hat": "....p.......p...",
    "snare": "....B..g.gg.B..g", "kick": "K..k..K...K.....",
}  # fmt: skip
RIDE_ON = {
    "ride": "r.r.r.rrr.r.r.r.", "hat": "....p.......p...",
    "snare": ".g.gB.g..g.gB.gg", "kick": "K.....K..kK.....",
}  # fmt: skip
ROLL = {
    "hat": "p...p...p...p...", "kick": "K.......K.......",
    "snare": "t.t.t.t.t.t.t.t.m.m.m.mmmmmmaaaa",
}  # fmt: skip
FILL = {
    "hat": "x.x.x.x.........", "kick": "K.....K.K...K.k.",
    "snare": "....B..gaa....aa", "toms": "..........11222.",
}  # fmt: skip
ENDING = {
    "crash": "C...........!...", "snare": "R...............", "kick": "K...............",
}  # fmt: skip
BARS = (VERSE, VERSE_OPEN, LIFT, LOUD, LOUD_TURN, RIDE, RIDE_ON, ROLL, VERSE, LIFT, FILL)
FULL_SECONDS = LEAD_IN + (len(BARS) + 1) * BAR + QUIET_END


@dataclass(frozen=True)
class Event:
    """One stroke of the part: `time` of contact in seconds, `level_db` −26 … 0 re full."""

    time: float
    voice: str
    kind: str
    level_db: float
    number: int  # of the voice's strokes, from 0: seeds the stroke's own randomness


def perform(seconds: float, seed: int) -> tuple[Event, ...]:
    """Play for `seconds`: all strokes in order of time.

    Less than `FULL_SECONDS` is the beginning of the part; of more, the bars go round until the
    ending fits. The strokes before any moment are the same whatever `seconds` is, up to the
    ending.
    """
    bars = [BARS[k % len(BARS)] for k in range(1 + int(seconds / BAR))]
    if seconds >= FULL_SECONDS - 0.001:
        room = int((seconds - LEAD_IN - QUIET_END) / BAR + 1e-9)
        bars = [*bars[: room - 1], ENDING]
    events: list[Event] = []
    for voice_number, voice in enumerate(LETTERS):
        rng = np.random.default_rng([seed, 10 + voice_number])
        number = 0
        for bar_number, bar in enumerate(bars):
            pattern = bar.get(voice, "")
            for step, letter in enumerate(pattern):
                if letter == ".":
                    continue
                start = LEAD_IN + (bar_number + step / len(pattern)) * BAR
                events.append(_play(voice, letter, start, number, rng))
                number += 1
    return tuple(sorted((e for e in events if e.time < seconds), key=lambda e: e.time))


def _play(voice: str, letter: str, start: float, number: int, rng: np.random.Generator) -> Event:
    kind, level, spread, late, jitter = LETTERS[voice][letter]
    drawn = np.clip(rng.standard_normal(2), -2.0, 2.0)
    level_db = float(np.clip(level + spread * drawn[0], -26.0, 0.0))
    return Event(start + late + jitter * float(drawn[1]), voice, kind, level_db, number)
