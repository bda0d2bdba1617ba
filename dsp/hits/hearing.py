# SPDX-License-Identifier: GPL-3.0-or-later
"""The part of a track that is listened to: one channel, between silences, with room around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.take import CHUNK, Samples, sounding_part

ROOM_S = 0.15  # silence around the track: a hit may begin with it, and another end with it


@dataclass(frozen=True)
class Heard:
    """`sound` (n,) float32, whose sample i is sample i + offset of the track.

    Digital silence at both ends is left out, so that where a track starts changes nothing that is
    measured in it. `first` and `last` (exclusive) are the track's samples in between.
    """

    sound: NDArray[np.float32]
    offset: int
    first: int
    last: int


def hear(samples: Samples, rate: int) -> Heard:
    """Mean of the channels of samples (frames, channels), without its constant part.

    A constant would start like a stroke. Single precision holds 24-bit samples exactly and is
    only listened to; all sums over it are in double precision.
    """
    first, last = sounding_part(samples)
    room = round(ROOM_S * rate)
    sound = np.zeros(last - first + 2 * room, np.float32)
    for start in range(first, last, CHUNK):
        part = samples[start : min(start + CHUNK, last)]
        one = part[:, 0] if part.shape[1] == 1 else part.mean(axis=1)
        sound[room + start - first : room + start - first + len(part)] = one
    inside = sound[room : room + last - first]
    if len(inside):
        constant = float(inside.mean(dtype=np.float64))
        if abs(constant) > 1e-3 * max(float(inside.max()), -float(inside.min())):
            inside -= np.float32(constant)
    return Heard(sound, first - room, first, last)
