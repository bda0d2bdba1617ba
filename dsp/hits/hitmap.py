# SPDX-License-Identifier: GPL-3.0-or-later
"""The hit map: every stroke of one drum in a take, found on one track and shared by the others."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Positions = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True)
class Ring:
    """One ringing mode of the drum: frequency in hertz, and seconds to fall by 60 dB."""

    hz: float
    t60_s: float


@dataclass(frozen=True)
class HitMap:
    """Strokes of one drum. All arrays have one entry per stroke, in order of time.

    `onset`       first sample of the stroke's arrival
    `end`         sample (exclusive) where the stroke has sunk into the bleed, or the next onset
    `peak_dbfs`   highest sample peak of the stroke, dBFS, as it stands in the track
    `strength_db` energy of the stroke's first 60 ms in dB re the typical full stroke, bleed removed
    `velocity`    1 to 127; `strength_db` by the square law 40·lg(v/127), full strokes at 127
    `ghost`       whether the stroke is a ghost note

    `fundamental_hz` is NaN where no drum was found; `bleed_dbfs` is the level (dBFS of sample
    peaks, median over the gaps) of everything between the strokes; −inf for digital silence.
    `given_by` is the name and the SHA-256 of the file that gave the strokes, None where they were
    found.
    """

    rate: int
    frames: int
    onset: Positions
    end: Positions
    peak_dbfs: Values
    strength_db: Values
    velocity: Positions
    ghost: NDArray[np.bool_]
    fundamental_hz: float
    bleed_dbfs: float
    rings: tuple[Ring, ...] = ()
    notes: tuple[str, ...] = field(default=())
    given_by: tuple[str, str] | None = None

    def __len__(self) -> int:
        return len(self.onset)

    @property
    def time_s(self) -> Values:
        """Onsets in seconds from the start of the take."""
        return self.onset / self.rate
