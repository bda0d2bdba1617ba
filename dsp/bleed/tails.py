# SPDX-License-Identifier: GPL-3.0-or-later
"""What each stroke tells of the drum's decay in one band.

A stroke is alone until the next. Then it still tells of its tail wherever the strokes that followed
were softer and have died away under it: a backbeat rings on through ghost notes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.drum import AHEAD, Attack, Strokes
from dsp.bleed.powers import FRAME_S, Levels

Values = NDArray[np.float64]

LENGTH = round(1.0 / FRAME_S)
MEAN = round(0.020 / FRAME_S)
SURE = round(0.030 / FRAME_S)  # a stroke's own for so long, however loud the bleed
ONSET = 3  # frames that the next stroke is heard early
# A drum may ring on so slowly, dB a second; where others lie by so many dB below that, it can be
# told from them.
MAY_FALL, OVER_OTHERS_DB = 60.0, 3.0


@dataclass(frozen=True)
class Prediction:
    """The drum as it was predicted before: (frames, bands) dB, and the shape that it came from."""

    drum: Levels
    shape: Values


def tell_tails(
    level: Values,
    k: int,
    chosen: NDArray[np.int64],
    attack: Attack,
    strokes: Strokes,
    usual: float,
    earlier: Prediction | None,
) -> Values:
    """Levels of the `chosen` strokes after their onsets, dB against the attack's, in band `k`.

    `level` (frames,) dB is the track's; (strokes, AHEAD + LENGTH), AHEAD frames come first, NaN is
    not known. A stroke ends where it is no louder than `usual`. Without an `earlier` prediction it
    ends at the next.
    """
    rows = np.full((len(chosen), AHEAD + LENGTH), np.nan)
    for row, n in zip(rows, chosen, strict=True):
        start = int(strokes.first[n]) - AHEAD
        alone = int(strokes.following[n]) - (ONSET if n < len(strokes) - 1 else 0)
        low, stop = max(start, 0), min(start + len(row), len(level))
        if earlier is None:
            stop = min(stop, alone)
        if stop <= low:
            continue
        own = level[low:stop].copy()
        if earlier is not None and stop > alone:
            after = slice(alone - start, stop - start)
            should = attack.level[n, k] + earlier.shape[after, k]
            may = attack.level[n, k] - MAY_FALL * FRAME_S * np.arange(after.start, after.stop)
            all_drum = earlier.drum[alone:stop, k].astype(np.float64)
            own[alone - low :] = _less_others(own[alone - low :], all_drum, should, may)
        own = own[: _clear(own, usual)]
        row[low - start : low - start + len(own)] = own - attack.level[n, k]
    return rows


def _less_others(level: Values, drum: Values, should: Values, may: Values) -> Values:
    """Level (frames,) dB of a stroke without the others; NaN where they are too loud to tell.

    `drum` dB is what all strokes should sound like together, `should` what this one should;
    too loud is what may hide it if it falls as slowly as `may`. What the track's level is does
    not matter for that: bleed would make it seem clear.
    """
    others = np.maximum(10 ** (0.1 * drum) - 10 ** (0.1 * should), 0.0)
    clear = others < 10 ** (0.1 * (may - OVER_OTHERS_DB))
    heard = 10 ** (0.1 * level)
    return np.where(clear, 10 * np.log10(np.maximum(heard - others, 0.1 * heard)), np.nan)


def _clear(level: Values, usual: float) -> int:
    """Frames until a stroke has fallen to what bleed usually is, as the mean of some frames."""
    sure = AHEAD + SURE
    if len(level) < sure + MEAN or not np.isfinite(usual):
        return len(level)
    known = np.flatnonzero(np.isfinite(level))
    sums = np.cumsum(np.interp(np.arange(sure, len(level)), known, level[known]))
    under = np.flatnonzero(sums[MEAN:] - sums[:-MEAN] < MEAN * usual)
    return sure + MEAN // 2 + int(under[0]) if len(under) else len(level)
