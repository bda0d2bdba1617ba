# SPDX-License-Identifier: GPL-3.0-or-later
"""Signals and hit maps that are known exactly."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.hits.hitmap import HitMap, Ring
from dsp.take import Samples

RATE = 48_000


def tone(
    hz: float, parts: Sequence[tuple[float, float]], rate: int = RATE, channels: int = 1
) -> Samples:
    """A sine through parts of (peak dBFS, seconds), the same in all channels."""
    counts = [round(seconds * rate) for _, seconds in parts]
    gain = np.concatenate(
        [np.full(count, 10 ** (db / 20)) for (db, _), count in zip(parts, counts, strict=True)]
    )
    wave = gain * np.sin(2 * np.pi * hz * np.arange(sum(counts)) / rate)
    return np.repeat(wave[:, None], channels, axis=1)


def hit_map(
    onsets: Sequence[int],
    ghosts: Sequence[bool],
    frames: int,
    rate: int = RATE,
    longest_s: float = 0.2,
    rings: Sequence[float] = (),
) -> HitMap:
    """Strokes at given samples, each lasting until the next one or `longest_s`."""
    onset = np.array(onsets, dtype=np.int64)
    following = np.append(onset[1:], frames)[: len(onset)]
    ghost = np.array(ghosts, dtype=bool)
    return HitMap(
        rate=rate,
        frames=frames,
        onset=onset,
        end=np.minimum(following, onset + round(longest_s * rate)),
        peak_dbfs=np.where(ghost, -26.0, -6.0),
        strength_db=np.where(ghost, -20.0, 0.0),
        velocity=np.where(ghost, 40, 127),
        ghost=ghost,
        fundamental_hz=200.0,
        bleed_dbfs=-60.0,
        rings=tuple(Ring(hz, 0.3) for hz in rings),
    )


def strokes(hits: HitMap, decay_s: float = 0.03, hz: float = 200.0) -> Samples:
    """A decaying tone at every stroke, 0.5 for full ones and 0.05 for ghosts; silence between."""
    sound = np.zeros(hits.frames)
    time = np.arange(hits.rate) / hits.rate
    body = np.sin(2 * np.pi * hz * time + 0.3) * np.exp(-time / decay_s)
    for onset, end, ghost in zip(hits.onset, hits.end, hits.ghost, strict=True):
        sound[onset:end] += (0.05 if ghost else 0.5) * body[: end - onset]
    return sound[:, None]
