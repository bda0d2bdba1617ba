# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes in groups of like strength, and the velocities at which each group plays.

Groups are those with the least spread of level within them, found exactly (W. D. Fisher, "On
grouping for maximum homogeneity", J. Am. Stat. Assoc. 53, 1958; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.samples.sample_set import LOUDEST, SOFTEST

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

FEWEST, MOST = 5, 10  # stages; common practice, no source
USUAL = 7


def group_stages(level_dbfs: Values, stages: int, least: int) -> Positions:
    """The stage of each stroke, 1 the softest, with at least `least` strokes in each.

    `level_dbfs` (n,) in any order, n ≥ stages · least.
    """
    order = np.argsort(level_dbfs, kind="stable")
    starts = _best_starts(level_dbfs[order], stages, least)
    stage = np.zeros(len(level_dbfs), dtype=np.int64)
    stage[order] = np.searchsorted(starts, np.arange(len(order)), side="right")
    return stage


def natural_stages(level_dbfs: Values, least: int) -> int:
    """How many stages, 5 to 10, the levels (n,) fall into by themselves; at most n // least.

    The number for which the narrowest gap between stages is widest against the widest gap inside
    one. Where no number makes gaps between stages wider than inside, the usual seven, or what is
    nearest to it.
    """
    most = min(MOST, len(level_dbfs) // least)
    counts = range(min(FEWEST, most), most + 1)
    clear = [_clearness(level_dbfs, group_stages(level_dbfs, k, least)) for k in counts]
    if max(clear) <= 1.0:
        return min(max(USUAL, counts[0]), most)
    return counts[int(np.argmax(clear))]


def velocity_tops(stage_dbfs: Values, full_dbfs: float) -> list[int]:
    """The highest velocity of each stage by its level; stages tile 1 … 127.

    Velocity is level by the square law, `full_dbfs` being 127; a boundary lies halfway, in dB,
    between two stages. Every stage gets one velocity at the very least.
    """
    halfway = (stage_dbfs[1:] + stage_dbfs[:-1]) / 2 - full_dbfs
    tops = [int(top) for top in np.floor(LOUDEST * 10 ** (halfway / 40))]
    count = len(stage_dbfs)
    for i in range(count - 1):
        lowest = tops[i - 1] + 1 if i else SOFTEST
        tops[i] = min(max(tops[i], lowest), LOUDEST - (count - 1 - i))
    return [*tops, LOUDEST]


def _best_starts(level: Values, stages: int, least: int) -> Positions:
    """Where each group of sorted levels starts, least total squared deviation."""
    n = len(level)
    sums = np.concatenate([[0.0], np.cumsum(level)])
    squares = np.concatenate([[0.0], np.cumsum(level**2)])

    def spread(a: Positions, b: int) -> Values:
        """Squared deviation of levels a to b."""
        return np.asarray(squares[b] - squares[a] - (sums[b] - sums[a]) ** 2 / (b - a))

    cost = np.full((stages + 1, n + 1), np.inf)
    start = np.zeros((stages + 1, n + 1), dtype=np.int64)
    cost[0, 0] = 0.0
    for k in range(1, stages + 1):
        for stop in range(k * least, n + 1):
            a = np.arange((k - 1) * least, stop - least + 1)
            total = cost[k - 1, a] + spread(a, stop)
            best = int(np.argmin(total))
            cost[k, stop], start[k, stop] = total[best], a[best]
    starts, stop = [], n
    for k in range(stages, 0, -1):
        stop = int(start[k, stop])
        starts.append(stop)
    return np.array(starts[::-1], dtype=np.int64)


def _clearness(level: Values, stage: Positions) -> float:
    """Narrowest gap between stages over the widest inside one; 0 where there is one stage."""
    order = np.argsort(level, kind="stable")
    gaps, new = np.diff(level[order]), np.diff(stage[order]) > 0
    if not new.any():
        return 0.0
    return float(gaps[new].min() / max(gaps[~new].max(initial=0.0), 1e-9))
