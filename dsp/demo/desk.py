# SPDX-License-Identifier: GPL-3.0-or-later
"""Collects what every source adds to every microphone, and sums it to tracks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.demo.modal import Floats
from dsp.demo.room import (
    MICROPHONES,
    PLACES,
    TAIL_UNTIL,
    Channel,
    Convolver,
    delay_samples,
    direct_gain,
    distance,
    room_response,
)

Stem = NDArray[np.float32]

SOURCES = ("snare", "hat", "ride", "crash", "kick", "toms")
NOISE_DBFS = -85.0  # RMS of each preamplifier's noise


class Desk:
    """Collects stems: one float32 array for each microphone and source."""

    def __init__(self, frames: int, rate: int, seed: int) -> None:
        self.frames, self.rate, self.seed = frames, rate, seed
        self.stems: dict[str, dict[str, Stem]] = {
            name: {s: np.zeros((frames, len(m)), np.float32) for s in (*SOURCES, "noise")}
            for name, m in MICROPHONES.items()
        }

    def rng(self, *path: int) -> np.random.Generator:
        """Seed a generator of its own for everything that is drawn."""
        return np.random.default_rng([self.seed, *path])

    def add_close(self, microphone: str, source: str, at: int, samples: Floats) -> None:
        """Add `samples` (frames,) at the head of a drum to its close microphone from `at` on."""
        gain = MICROPHONES[microphone][0].gain
        add(self.stems[microphone][source][:, 0], at, gain * samples)

    def add_far(self, source: str, voice: str, samples: Floats, direct: tuple[str, ...]) -> None:
        """Send `samples` (frames,), one metre from `voice`, through the air to all microphones.

        The direct sound goes only to the microphones named in `direct`. Before the first sample
        to arrive every microphone keeps exact zeros (the transform's rounding is cut off).
        """
        sounding = np.flatnonzero(samples)
        if not len(sounding):
            return
        convolver = Convolver(samples, round(TAIL_UNTIL * self.rate))
        place = PLACES[voice]
        for number, (name, channel, stem) in enumerate(self._channels(source)):
            rng = self.rng(300 + list(PLACES).index(voice), number)
            response = room_response(channel, place, self.rate, rng)
            heard = convolver.apply(response)
            heard[: sounding[0] + np.flatnonzero(response)[0]] = 0.0
            delay = delay_samples(distance(channel.place, place), self.rate)
            if name in direct:
                add(heard, delay, direct_gain(channel, place) * samples)
            stem += channel.gain * heard

    def _channels(self, source: str) -> Iterator[tuple[str, Channel, Stem]]:
        for name, channels in MICROPHONES.items():
            for column, channel in enumerate(channels):
                yield name, channel, self.stems[name][source][:, column]

    def add_noise(self) -> None:
        """Add each preamplifier's white noise."""
        for number, (_, _, stem) in enumerate(self._channels("noise")):
            noise = self.rng(400, number).standard_normal(self.frames, np.float32)
            stem += np.float32(10 ** (NOISE_DBFS / 20)) * noise

    def tracks(self) -> dict[str, Floats]:
        """Sum the stems in their order, in float64."""
        result = {}
        for name, stems in self.stems.items():
            total = np.zeros((self.frames, len(MICROPHONES[name])))
            for stem in stems.values():
                total += stem
            result[name] = total
        return result


def add(target: NDArray[Any], at: int, samples: Floats) -> None:
    """Add in place, cut at the end of the target."""
    count = min(len(samples), len(target) - at)
    if count > 0:
        target[at : at + count] += samples[:count]
