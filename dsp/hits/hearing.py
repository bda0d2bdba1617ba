# SPDX-License-Identifier: GPL-3.0-or-later
"""The part of a track that is listened to: one channel, between silences, with room around it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dsp.take import CHUNK, Samples, sounding_part

Float = TypeVar("Float", np.float32, np.float64)

ROOM_S = 0.15  # silence around the track: a hit may begin with it, and another end with it
HIGHEST_RATE = 64_000  # a stroke has nothing above 24 kHz that tells it from anything else


@dataclass(frozen=True)
class Heard:
    """`sound` (n,) float32, whose sample i is sample i · step + offset of the track.

    Digital silence at both ends is left out, so that where a track starts changes nothing that is
    measured in it. `first` and `last` (exclusive) are the track's samples in between. `rate` is
    that of the sound: the track's over `step`.
    """

    sound: NDArray[np.float32]
    rate: int
    step: int
    offset: int
    first: int
    last: int


def hear(samples: Samples, rate: int, *, lowered: bool = False) -> Heard:
    """Mean of the channels of samples (frames, channels), without its constant part.

    `lowered`: at a half or a quarter of a rate above 64 kHz, so that strokes are told alike at
    every rate. A constant would start like a stroke. Single precision holds 24-bit samples exactly
    and is only listened to; all sums over it are in double precision.
    """
    first, last = sounding_part(samples)
    room = round(ROOM_S * rate)
    sound = np.zeros(last - first + 2 * room, np.float32)
    inside = sound[room : room + last - first]
    if samples.shape[1] == 1:
        inside[:] = samples[first:last, 0]
    else:
        for start in range(first, last, CHUNK):
            part = samples[start : min(start + CHUNK, last)]
            inside[start - first : start - first + len(part)] = part.mean(axis=1)
    if len(inside):
        constant = float(inside.mean(dtype=np.float64))
        if abs(constant) > 1e-3 * max(float(inside.max()), -float(inside.min())):
            inside -= np.float32(constant)
    step = lowering(rate) if lowered else 1
    return Heard(at_lower_rate(sound, step), rate // step, step, first - room, first, last)


def lowering(rate: int) -> int:
    """By how much `rate` is divided to listen to a track: 1, or what brings it under 64 kHz."""
    step = 1
    while rate // step > HIGHEST_RATE and rate % (2 * step) == 0:
        step *= 2
    return step


def at_lower_rate(sound: NDArray[Float], step: int) -> NDArray[Float]:
    """The sound (n,) at 1 / `step` of its rate; itself where that is 1."""
    if step == 1:
        return sound
    from scipy.signal import resample_poly  # only here: it takes long to load

    return np.ascontiguousarray(resample_poly(sound, 1, step), dtype=sound.dtype)
