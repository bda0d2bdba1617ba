# SPDX-License-Identifier: GPL-3.0-or-later
"""Level detectors: the instantaneous or the mean square of what a step listens to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.kernels.envelope import mean_square
from dsp.take import Samples

Power = NDArray[np.float64]
CHUNK = 1 << 16  # frames at once; the result does not depend on it


@dataclass(frozen=True, eq=False)
class Detector:
    """Power of a sound, sample by sample, as one number for all channels.

    `sound` (frames, channels) float64; `link` takes the loudest channel, or the mean of their
    powers; `window_ms` is the time constant of a mean square, 0 for none; `only` leaves out what
    lies between strokes.
    """

    sound: Samples
    rate: int
    link: Literal["loudest", "mean"]
    window_ms: float
    only: HitMap | None = None

    def chunks(self) -> Iterator[Power]:
        """Power (n,) of pieces of the sound, in order."""
        channels = self.sound.shape[1]
        keep = math.exp(-1000.0 / (self.window_ms * self.rate)) if self.window_ms else 0.0
        last = np.zeros(channels)
        for start in range(0, len(self.sound), CHUNK):
            piece = self._heard(start)
            power = np.empty((channels, len(piece)))
            for channel in range(channels):
                if keep:
                    x = np.ascontiguousarray(piece[:, channel])
                    last[channel] = mean_square(x, keep, last[channel], power[channel])
                else:
                    np.square(piece[:, channel], out=power[channel])
            if channels == 1:
                yield power[0]
            else:
                yield power.max(axis=0) if self.link == "loudest" else power.mean(axis=0)

    def loudest_db(self, hits: HitMap) -> Power:
        """The highest level in dB of each stroke; −inf for one that is silent."""
        loudest = np.zeros(len(hits.onset))
        start = 0
        for power in self.chunks():
            stop = start + len(power)
            for stroke in np.flatnonzero((hits.onset < stop) & (hits.end > start)):
                inside = power[max(hits.onset[stroke] - start, 0) : hits.end[stroke] - start]
                loudest[stroke] = max(loudest[stroke], inside.max(initial=0.0))
            start = stop
        with np.errstate(divide="ignore"):
            return np.asarray(10.0 * np.log10(loudest))

    def _heard(self, start: int) -> Samples:
        """A piece of the sound, without what is not to be heard."""
        piece = self.sound[start : start + CHUNK]
        if self.only is None:
            return piece
        heard = np.zeros_like(piece)
        onset, end = self.only.onset - start, self.only.end - start
        for stroke in np.flatnonzero((onset < len(piece)) & (end > 0)):
            span = slice(max(onset[stroke], 0), end[stroke])
            heard[span] = piece[span]
        return heard
