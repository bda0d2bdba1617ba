# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic drums whose modes, decays, strokes and levels are known exactly."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.take import Samples

RATE = 48_000

# f_mn / f_01 = j_mn / j_01 of an ideal membrane, computed with scipy.special.jn_zeros; handbooks
# print 1.594, 2.136, 2.296, 2.653, 2.918 (Fletcher and Rossing, The Physics of Musical
# Instruments, 2nd ed., 1998, section 3; from memory).
MEMBRANE = (1.0, 1.5933, 2.1355, 2.2954, 2.6531, 2.9173)

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Mode:
    """One mode: frequency in Hz, level at the onset in dB, seconds to fall by 60 dB."""

    hz: float
    db: float
    t60_s: float


def two_headed(fundamental: float, ratio: float, second_db: float) -> tuple[Mode, ...]:
    """A drum whose lower (0, 1) mode is 0 dB and whose other one is `ratio` times higher."""
    return (
        Mode(fundamental, 0.0, 0.40),
        Mode(ratio * fundamental, second_db, 0.35),
        Mode(2.1355 * fundamental, -10.0, 0.22),
        Mode(2.6531 * fundamental, -12.0, 0.18),
    )


def membrane(fundamental: float) -> tuple[Mode, ...]:
    """An ideal membrane: higher modes are softer and shorter."""
    return tuple(Mode(fundamental * r, -5.0 * n, 0.4 / r) for n, r in enumerate(MEMBRANE))


def stroke(
    modes: tuple[Mode, ...], level_db: float, seed: int, rate: int = RATE, seconds: float = 0.5
) -> Sound:
    """One stroke, its first sample not zero: modes, stick and wires.

    Softer strokes are duller, and no two noises are alike. `level_db` scales it all; a stroke of
    0 dB peaks near 1.
    """
    frames = round(seconds * rate)
    time = np.arange(frames) / rate
    rng = np.random.default_rng(seed)
    sound = np.zeros(frames)
    for mode in modes:
        fall = 10 ** (mode.db / 20) * 10 ** (-3 * time / mode.t60_s)
        sound += fall * np.cos(2 * np.pi * mode.hz * time + rng.uniform(-0.3, 0.3))
    wires = rng.standard_normal(frames)
    dull = 10 ** (0.3 * min(level_db, 0.0) / 20)
    sound += dull * 0.5 * wires * (10 ** (-3 * time / 0.25) + np.exp(-time / 0.004))
    return sound * 10 ** (level_db / 20) / 3


def play(
    modes: tuple[Mode, ...],
    onsets: list[int],
    levels_db: list[float],
    frames: int,
    *,
    bleed_db: float = -70.0,
    rate: int = RATE,
) -> Samples:
    """A track (frames, 1): strokes at given samples and levels over steady noise (RMS dBFS)."""
    track = 10 ** (bleed_db / 20) * np.random.default_rng(99).standard_normal(frames)
    for n, (at, level) in enumerate(zip(onsets, levels_db, strict=True)):
        sound = stroke(modes, level, n, rate)[: frames - at]
        track[at : at + len(sound)] += sound
    return track[:, None]


def groove(
    modes: tuple[Mode, ...], *, count: int = 12, bleed_db: float = -70.0, apart_s: float = 0.42
) -> tuple[Samples, list[int], list[float]]:
    """A track of full strokes and ghosts in turn, their first samples and levels."""
    rng = np.random.default_rng(4)
    onsets = [
        round((0.2 + apart_s * n) * RATE) + int(rng.integers(-900, 900)) for n in range(count)
    ]
    levels = [
        float(rng.uniform(-24, -15) if n % 3 == 1 else rng.uniform(-4, 0)) for n in range(count)
    ]
    frames = round((0.2 + apart_s * count + 0.2) * RATE)
    return play(modes, onsets, levels, frames, bleed_db=bleed_db), onsets, levels
