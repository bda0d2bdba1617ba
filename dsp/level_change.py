# SPDX-License-Identifier: GPL-3.0-or-later
"""How the level changes over time, for lanes of what no gain curve can say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from dsp.curves import GainCurve
from dsp.take import Samples, sounding_part

WINDOW_MS = 10.0  # energies over this long, overlapping by half
HOPS = 256  # looked at in one go
QUIET = 1e-8  # energy re the loudest window (−80 dB): what rises out of silence rises from there
DEEPEST_DB = -96.0  # shown where nothing is left at all

Values = NDArray[np.float64]


def level_change(audio: Samples, treat: Callable[[Samples, int], None], rate: int) -> GainCurve:
    """Level in dB of what `treat` makes of `audio` (frames, channels), against `audio`.

    `treat(part, start)` treats a copy of the frames from `start` on in place. Windows count from
    the first sound, so that silence ahead of it changes nothing. Digital silence is at 0 dB.
    """
    frames = len(audio)
    first, _ = sounding_part(audio)
    hop = WINDOW_MS * rate / 2000
    edges = first + np.rint(hop * np.arange(1 + (frames - first) / hop)).astype(np.int64)
    edges = edges[edges < frames]
    before, after = _energies(audio, treat, edges)
    least = QUIET * max(before.max(), after.max()) or 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        down = np.maximum(10.0 * np.log10(after / before), DEEPEST_DB)
    up = 10.0 * np.log10((after + least) / (before + least))
    db = np.where(after < before, down, up)
    at = np.minimum(edges + round(hop / 2), frames - 1)
    at, chosen = np.unique(at, return_index=True)
    return GainCurve(rate, frames, at, db[chosen, None])


def _energies(
    audio: Samples, treat: Callable[[Samples, int], None], edges: NDArray[np.int64]
) -> tuple[Values, Values]:
    """Energy before and after in windows of two hops, one around each hop between `edges`."""
    sums = np.zeros((2, len(edges) + 2))  # a hop of silence at either end
    for first in range(0, len(edges), HOPS):
        own = edges[first : first + HOPS]
        start = int(own[0])
        stop = int(edges[first + HOPS]) if first + HOPS < len(edges) else len(audio)
        into = slice(first + 1, first + 1 + len(own))
        part = audio[start:stop].copy()
        sums[0, into] = np.add.reduceat(np.einsum("ij,ij->i", part, part), own - start)
        treat(part, start)
        sums[1, into] = np.add.reduceat(np.einsum("ij,ij->i", part, part), own - start)
    around = sums[:, 1:-1] + 0.5 * (sums[:, :-2] + sums[:, 2:])
    return around[0], around[1]
