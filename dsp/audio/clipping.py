# SPDX-License-Identifier: GPL-3.0-or-later
"""Clipped input, told by its flat tops.

A sample counts as clipped where it belongs to three or more consecutive equal samples of one
channel at full scale or beyond. Equal, since a float file may exceed full scale without harm;
three, since two equal extremes also occur in unclipped sound (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.take import Samples

_BLOCK = 1 << 16
_HALO = 2  # neighbours on each side that decide whether a sample is in a run of three


def count_clipped(samples: Samples, full_scale: float) -> int:
    """Return how many of `samples` (frames, channels) lie in flat tops at or over `full_scale`."""
    clipped = 0
    for start in range(0, len(samples), _BLOCK):
        first, last = max(start - _HALO, 0), start + _BLOCK + _HALO
        block = samples[first:last]
        if block.max() >= full_scale or block.min() <= -full_scale:
            inside = slice(start - first, start - first + _BLOCK)
            clipped += int(np.count_nonzero(_in_flat_tops(block, full_scale)[inside]))
    return clipped


def _in_flat_tops(block: Samples, full_scale: float) -> NDArray[np.bool_]:
    """Mark the samples of `block` that are in runs of three or more."""
    marked = np.zeros(block.shape, dtype=bool)
    middle = block[1:-1]
    flat = (np.abs(middle) >= full_scale) & (middle == block[:-2]) & (middle == block[2:])
    for offset in range(3):
        marked[offset : offset + len(flat)] |= flat
    return marked
