# SPDX-License-Identifier: GPL-3.0-or-later
"""Which stretch of a take is compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.errors import UsageError
from dsp.hits.hitmap import HitMap

LENGTH_S = 20.0
SHORTEST_S, LONGEST_S = 1.0, 120.0
LEAD_S = 0.25  # before the first stroke
FEWEST_SHARE = 0.1  # of a stretch's strokes that must be of the rarer kind, where one has that


@dataclass(frozen=True)
class Excerpt:
    """A stretch of the take: first sample, samples, and how it was chosen, for people."""

    start: int
    frames: int
    how: str

    @property
    def stop(self) -> int:
        """One past the last sample."""
        return self.start + self.frames


def check_length(length_s: float | None, from_s: float | None, to_s: float | None) -> float:
    """The length in seconds that is asked for. Raises `UsageError` on one that cannot be."""
    if length_s is not None and from_s is not None and to_s is not None:
        raise UsageError("found a start, an end and a length; accepted: two of the three")
    length = LENGTH_S if length_s is None else length_s
    if not SHORTEST_S <= length <= LONGEST_S:
        raise UsageError(
            f"length of the compared stretch: found {length:g} s; "
            f"accepted: {SHORTEST_S:g} to {LONGEST_S:g} s"
        )
    return length


def given_excerpt(
    rate: int, frames: int, length_s: float, from_s: float | None, to_s: float | None
) -> Excerpt | None:
    """The stretch that is asked for, None where the start is left to the program.

    `length_s` holds where only one end is given. An end beyond the take becomes its end. Raises
    `UsageError` where that leaves nothing, or more than two minutes.
    """
    if from_s is None and to_s is None:
        return None
    take_s = frames / rate
    stop_s = min(take_s, (from_s or 0.0) + length_s if to_s is None else to_s)
    start_s = max(0.0, stop_s - length_s) if from_s is None else from_s
    start, stop = round(start_s * rate), round(stop_s * rate)
    if not 0 <= start < stop or stop_s - start_s > LONGEST_S:
        raise UsageError(
            f"compared stretch from {start_s:g} s to {stop_s:g} s; accepted: a start before the "
            f"end, within 0 to {take_s:.3f} s, at most {LONGEST_S:g} s apart"
        )
    return Excerpt(start, stop - start, "as asked for")


def busiest_excerpt(hits: HitMap, length_s: float) -> Excerpt:
    """The stretch with the most strokes, ghosts and full ones among them where there are any.

    At least a tenth of its strokes are of the rarer kind, if any stretch has that. The earliest of
    equals; it starts shortly before a stroke. A take that is shorter is taken whole.
    """
    length = round(length_s * hits.rate)
    if length >= hits.frames:
        return Excerpt(0, hits.frames, "the whole take")
    if len(hits) == 0:
        return Excerpt(0, length, "the start: no strokes were found")
    starts = np.clip(hits.onset - round(LEAD_S * hits.rate), 0, hits.frames - length)
    first = np.searchsorted(hits.onset, starts)
    last = np.searchsorted(hits.onset, starts + length)
    ghosts_before = np.concatenate([[0], np.cumsum(hits.ghost)])
    ghosts = ghosts_before[last] - ghosts_before[first]
    count = last - first
    rarer = np.minimum(ghosts, count - ghosts)
    mixed = np.where(rarer >= FEWEST_SHARE * count, 2, np.minimum(rarer, 1))
    best = int(np.lexsort((starts, -count, -mixed))[0])
    full = int(count[best] - ghosts[best])
    how = f"the busiest: {full} full strokes and {ghosts[best]} ghost notes"
    return Excerpt(int(starts[best]), length, how)
