# SPDX-License-Identifier: GPL-3.0-or-later
"""How loud each microphone is over time in a few bands, where silence lies, where a tail ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import BANDS_HZ, FRAME_S, measure_energies
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

BANDS = len(BANDS_HZ)
FLOOR_SHARE = 0.15  # of a recording of single strokes, at least so much is silence
FLOOR_FRAMES = round(0.020 / FRAME_S)
ENDED_DB = 2.0  # above silence over 20 ms, in every band
HEARD_DB = 3.0  # what is less than this above silence is silence
NOTHING = 1e-20  # power of digital silence, as far as decibels are concerned


@dataclass(frozen=True)
class Envelope:
    """Band powers of one microphone.

    `sums` (frames + 1, bands) are running sums over frames of `hop` samples; `floor` (bands,) is
    the mean power of a frame of silence.
    """

    sums: Values
    floor: Values
    hop: int

    def mean(self, start: Positions, stop: Positions) -> Values:
        """Mean power per frame between two frames, of shape (…, bands); cut at the ends."""
        last = len(self.sums) - 1
        a, b = np.clip(start, 0, last), np.clip(stop, 0, last)
        count = np.maximum(b - a, 1)[..., None]
        return np.asarray((self.sums[b] - self.sums[a]) / count)

    def heard_db(self, start: Positions, stop: Positions) -> Values:
        """The same in dB, and no lower than just above silence."""
        return np.asarray(10 * np.log10(np.maximum(self.mean(start, stop), self.least)))

    @property
    def least(self) -> Values:
        """Power per band (bands,) from which on something is heard."""
        return self.floor * float(10 ** (HEARD_DB / 10))


def measure_envelope(samples: Samples, rate: int) -> Envelope:
    """Envelope of samples (frames, channels); channels are added in power."""
    channels = [
        measure_energies(np.ascontiguousarray(samples[:, channel]), rate)
        for channel in range(samples.shape[1])
    ]
    power = sum((one.power for one in channels[1:]), channels[0].power)
    sums = np.concatenate([np.zeros((1, BANDS)), np.cumsum(power, axis=0)])
    starts = np.arange(0, max(len(power) - FLOOR_FRAMES, 1), FLOOR_FRAMES)
    stops = np.minimum(starts + FLOOR_FRAMES, len(power))
    means = (sums[stops] - sums[starts]) / (stops - starts)[:, None]
    floor = np.maximum(np.quantile(means, FLOOR_SHARE, axis=0), NOTHING)
    return Envelope(sums, floor, channels[0].hop)


def tail_ends(envelope: Envelope, onset: Positions, limit: Positions) -> Positions:
    """Sample at which each stroke has sunk into silence in every band; −1 if not before `limit`."""
    ends = np.full(len(onset), -1, dtype=np.int64)
    quiet = envelope.floor * 10 ** (ENDED_DB / 10)
    for i, (at, last) in enumerate(zip(onset // envelope.hop, limit // envelope.hop, strict=True)):
        starts = np.arange(at + FLOOR_FRAMES, last - FLOOR_FRAMES + 1)
        below = (envelope.mean(starts, starts + FLOOR_FRAMES) < quiet).all(axis=1)
        if below.any():
            ends[i] = (starts[np.argmax(below)] + FLOOR_FRAMES) * envelope.hop
    return ends
