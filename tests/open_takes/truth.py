# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known about a take: every stroke, where it arrives and how it stands out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.open_takes import strokes
from tests.open_takes.grooves import Note
from tests.open_takes.sources import RATE

CLEAR_S = 0.020
CLEAR_BANDS_HZ = ((100.0, 400.0), (400.0, 1500.0), (1500.0, 5000.0), (5000.0, 16000.0))

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Stroke:
    """One stroke on the snare.

    Attributes:
        arrival: first sample of its direct sound, by microphone.
        level_db: energy of its first 60 ms re a full stroke, dB.
        peak_db: peak of its first 60 ms re a full stroke, dB.
        velocity: `level_db` as MIDI velocity, 1..127.
        ghost: whether it is a ghost note.
        kind: `stroke`, `grace`, `roll` or `side stick`.
        clear_db: how far its first 20 ms stand out of all else on the top microphone (bleed
            and the tails of earlier strokes) in the best of four bands, dB. Far below 0 it
            cannot be heard, or found.

    """

    arrival: dict[str, int]
    level_db: float
    peak_db: float
    velocity: int
    ghost: bool
    kind: str
    clear_db: float


@dataclass(frozen=True)
class Other:
    """One stroke of another voice: `arrival` as in `Stroke`, to the nearest sample."""

    arrival: dict[str, int]
    voice: str
    level_db: float


def stroke(note: Note, arrival: dict[str, int], sound: Sound, source: Sound, top: Sound) -> Stroke:
    """Truth about one stroke.

    Args:
        note: what was played.
        arrival: first sample by microphone.
        sound: the stroke as played, (frames,), gain 1 on the top microphone.
        source: the full stroke it was made from.
        top: all that the top microphone hears, same gain.

    """
    span = round(strokes.STRENGTH_S * RATE)
    peak = float(np.max(np.abs(sound[:span])) / np.max(np.abs(source[:span])))
    return Stroke(
        arrival=arrival,
        level_db=note.level_db,
        peak_db=20.0 * float(np.log10(peak)),
        velocity=strokes.velocity_of(note.level_db),
        ghost=note.level_db <= strokes.GHOST_BELOW_DB,
        kind=note.kind,
        clear_db=_clear(sound, top[arrival["top"] :]),
    )


def _clear(sound: Sound, heard: Sound) -> float:
    """Energy of `sound` re the rest of `heard` in the band where that is highest, dB."""
    span = min(round(CLEAR_S * RATE), len(sound), len(heard))
    own = np.abs(np.fft.rfft(sound[:span])) ** 2
    rest = np.abs(np.fft.rfft(heard[:span] - sound[:span])) ** 2
    hertz = np.fft.rfftfreq(span, 1.0 / RATE)
    ratios = []
    for low, high in CLEAR_BANDS_HZ:
        band = (hertz >= low) & (hertz < high)
        ratios.append(float(own[band].sum() / max(rest[band].sum(), 1e-12)))
    return 10.0 * float(np.log10(max(ratios)))
