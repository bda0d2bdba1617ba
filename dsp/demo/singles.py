# SPDX-License-Identifier: GPL-3.0-or-later
"""What is played before the song: single strokes on the snare, from ghost note to full.

Each level is struck several times, left and right, each stroke left to ring out. As with real
drummers some are of no use: a flam, whose grace note comes first, and a stick that bounces.
"""

from __future__ import annotations

import numpy as np

from dsp.demo.groove import Event

LEVELS_DB = (-26.0, -21.5, -17.0, -12.5, -8.0, -4.0, -0.7)
EACH = 4
SPREAD_DB = 0.5
LEAD_IN, APART, AT_END = 0.3, 0.78, 0.5  # seconds
HUMAN = 0.03
FLAMS, BOUNCES = (1, 4), (2, 5)  # after which levels, from 0
GRACE = (0.027, -6.0)  # seconds ahead of its stroke, dB re it
BOUNCE = (0.085, -8.0)
FIRST_NUMBER = 10_000  # strokes of the song have the numbers before: no stroke comes twice


def play_singles(seed: int) -> tuple[Event, ...]:
    """All strokes, in order of time; kinds are `single`, `flam` and `bounce`."""
    rng = np.random.default_rng([seed, 30])
    struck: list[tuple[float, str, float]] = []
    now = LEAD_IN

    def wait() -> float:
        return now + APART + float(rng.uniform(-HUMAN, HUMAN))

    for number, level in enumerate(LEVELS_DB):
        for _ in range(EACH):
            struck.append((now, "single", level + SPREAD_DB * float(rng.uniform(-1, 1))))
            now = wait()
        if number in FLAMS:
            struck += [(now - GRACE[0], "flam", level + GRACE[1]), (now, "flam", level)]
            now = wait()
        if number in BOUNCES:
            struck += [(now, "bounce", level), (now + BOUNCE[0], "bounce", level + BOUNCE[1])]
            now = wait()
    return tuple(
        Event(time, "snare", kind, float(np.clip(level, -26.0, 0.0)), FIRST_NUMBER + number)
        for number, (time, kind, level) in enumerate(struck)
    )
