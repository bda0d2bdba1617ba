# SPDX-License-Identifier: GPL-3.0-or-later
"""No two strokes alike: one recording played again with another hand.

What changes: level, tuning (within 1.5 %), brightness (soft strokes are duller), decay, and two
gentle bells that stand for another place on the head. Every filter is causal and starts from
rest, so the first sample of a stroke stays index 0.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.open_takes.sources import RATE, retune

GHOST_BELOW_DB = -12.0
"""A stroke this far or further under a full one counts as a ghost note."""

STRENGTH_S = 0.060
"""A stroke's level is the energy of its first 60 ms re the same of a full stroke."""

DULL_AT_HZ = 8000.0
DULL_DB_PER_DB = 8.0 / 28.0
DULL_AT_MOST_DB = 8.0

Sound = NDArray[np.float64]


def velocity_of(level_db: float) -> int:
    """MIDI velocity 1..127 of a level in dB re a full stroke.

    40 lg(v / 127): the square law of the DLS level 1 specification (Dannenberg, "The
    Interpretation of MIDI Velocity", ICMC 2006).
    """
    return int(min(127, max(1, round(127.0 * 10.0 ** (level_db / 40.0)))))


def energy(sound: Sound) -> float:
    """Energy of the first `STRENGTH_S` of a stroke."""
    return float(np.sum(np.square(sound[: round(STRENGTH_S * RATE)])))


def play(source: Sound, level_db: float, rng: np.random.Generator) -> Sound:
    """One stroke: float64 (frames,), index 0 is its first sample.

    Args:
        source: a recording that starts at index 0, the full stroke.
        level_db: energy over `STRENGTH_S` re the source, dB.
        rng: drawn from in a fixed order whatever the level.

    """
    pitch = 1.0 + rng.uniform(-0.015, 0.015)
    decay = rng.uniform(-1.2, 1.2)
    low_db, low_hz = rng.uniform(-1.5, 1.5), rng.uniform(180.0, 450.0)
    mid_db, mid_hz = rng.uniform(-2.0, 2.0), rng.uniform(700.0, 4000.0)
    air_db = rng.uniform(-1.0, 1.0)
    # 1/100 of the pitch step is far under what differs between strokes, and keeps filters short.
    sound = retune(source, round(1.0 / pitch, 4))
    sound = bell(sound, low_hz, low_db)
    sound = bell(sound, mid_hz, mid_db)
    dull = min(DULL_AT_MOST_DB, -level_db * DULL_DB_PER_DB)
    sound = shelf(sound, DULL_AT_HZ, air_db - dull)
    sound = sound * np.exp(decay * np.arange(len(sound)) / RATE)
    wanted = energy(source) * 10.0 ** (level_db / 10.0)
    return sound * math.sqrt(wanted / energy(sound))


def shelf(sound: Sound, full_at_hz: float, gain_db: float) -> Sound:
    """First-order high shelf, 0 dB at 0 Hz and `gain_db` at half the rate, causal, from rest.

    Placed so that most of `gain_db` is reached at `full_at_hz`. Bilinear transform of
    (1 + s g / w) / (1 + s / w).
    """
    gain = 10.0 ** (gain_db / 20.0)
    corner = full_at_hz / 4.0
    k = 1.0 / math.tan(math.pi * corner / RATE)
    b = np.array([1.0 + gain * k, 1.0 - gain * k])
    a = np.array([1.0 + k, 1.0 - k])
    made: Sound = lfilter(b / a[0], a / a[0], sound)
    return made


def bell(sound: Sound, at_hz: float, gain_db: float, q: float = 1.0) -> Sound:
    """Peaking filter of the Audio EQ Cookbook (W3C Note, 2021), causal, from rest."""
    amplitude = 10.0 ** (gain_db / 40.0)
    turn = 2.0 * math.pi * at_hz / RATE
    alpha = math.sin(turn) / (2.0 * q)
    b = np.array([1.0 + alpha * amplitude, -2.0 * math.cos(turn), 1.0 - alpha * amplitude])
    a = np.array([1.0 + alpha / amplitude, -2.0 * math.cos(turn), 1.0 - alpha / amplitude])
    made: Sound = lfilter(b / a[0], a / a[0], sound)
    return made
