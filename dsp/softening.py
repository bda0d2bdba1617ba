# SPDX-License-Identifier: GPL-3.0-or-later
"""Peaks brought under a true-peak ceiling: a limiter, a clipper that rounds, and a guard.

Decisions:

- What the clipper takes away is computed at a higher rate, and only that is brought back and added.
  Where it takes nothing, not a bit changes, and there is no border that could click.
- All filters are symmetrical, so nothing moves in time. Where no sum of nearby samples could reach
  the level in question, nothing is computed.
- The gains of limiter and guard are settled by `dsp.soften_plan`, which measures the outcome.
- Everything is computed in cells and blocks that are counted from the first frame that sounds.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.kernels.envelope import peaks_between
from dsp.kernels.gain import ANCHOR, gains_between
from dsp.kernels.soften import look_ahead, round_off
from dsp.take import Samples
from dsp.true_peak import (
    CLIP,
    LONG,
    PEAK_RATE,
    SHORT,
    low_pass_bank,
    may_exceed,
    standard_bank,
)

Values = NDArray[np.float64]

BLOCK, MARGIN = 32 * ANCHOR, ANCHOR  # frames worked on at once, and what is looked at around
WAVE = 16  # blocks in flight at once


@dataclass(frozen=True)
class Shape:
    """What is asked for: amplitudes of the rounding's start, the ceiling and the limiter's aim."""

    rate: int
    start: float
    ceiling: float
    limit: float
    oversampling: int
    lead_ms: float
    release_ms: float

    @property
    def cell(self) -> int:
        """Frames in a cell: about a third of a millisecond, and a part of ANCHOR."""
        return int(16 * 2 ** round(math.log2(max(self.rate / 48_000, 1.0))))

    def gain_under(self, need: Values) -> Values:
        """Gain in dB at the edges of cells (n + 1,) that is under `need` (n,) in each of them."""
        edges = np.minimum(np.append(need, 0.0), np.append(0.0, need))
        keep = math.exp(-1000.0 * self.cell / (self.release_ms * self.rate))
        window = max(1, round(self.lead_ms * self.rate / (1000.0 * self.cell)))
        out = np.empty(len(edges))
        look_ahead(edges, keep, window, out)
        return out


@dataclass(frozen=True, eq=False)
class Softening:
    """The treatment: `before` and `after` are gains in dB at the edges of cells (cells + 1,).

    Cells are counted from frame `first`, where the sound begins.
    """

    shape: Shape
    first: int
    before: Values
    after: Values

    def apply(self, samples: Samples) -> None:
        """Treat samples (frames, channels) in place."""
        samples = samples[self.first :]
        concerned = loudest(samples) * reach() > self.shape.start
        for db in (self.before, self.after):
            edges = np.flatnonzero(db) * self.shape.cell
            for frames in (edges - 1, edges):  # an edge between blocks belongs to both
                inside = frames[(frames >= 0) & (frames < len(samples))]
                concerned[inside // BLOCK] = True
        before = np.zeros((MARGIN, samples.shape[1]))
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            for start in range(0, len(samples), WAVE * BLOCK):
                stop = min(start + WAVE * BLOCK, len(samples))
                firsts = [f for f in range(start, stop, BLOCK) if concerned[f // BLOCK]]
                blocks = [block_at(samples, first) for first in firsts]
                if firsts and firsts[0] == start:
                    blocks[0][:MARGIN] = before
                before = samples[max(stop - MARGIN, 0) : stop].copy()
                list(pool.map(self.treat, blocks, firsts))
                for first, block in zip(firsts, blocks, strict=True):
                    count = min(BLOCK, stop - first)
                    samples[first : first + count] = block[MARGIN : MARGIN + count]

    def treat(self, block: Samples, first: int) -> Values:
        """Treat a block with its margins in place; returns how far it was rounded.

        That is the smallest ratio of a rounded peak to its original in each cell (cells,).
        """
        shape = self.shape
        self._multiply(block, first, self.before)
        bank = low_pass_bank(shape.oversampling, *CLIP)
        wanted = may_exceed(block, bank, shape.start, shape.cell)
        kept = np.ones(len(wanted))
        if wanted.any():
            ratio = np.empty(len(wanted))
            for channel in range(block.shape[1]):
                x = np.ascontiguousarray(block[:, channel])
                change = np.zeros(len(x))
                limits = shape.start, shape.ceiling
                round_off(x, bank, shape.cell, wanted, *limits, change, ratio)
                np.add(x, change, out=block[:, channel], where=change != 0.0)
                np.minimum(kept, ratio, out=kept)
        self._multiply(block, first, self.after)
        return kept

    def _multiply(self, block: Samples, first: int, db: Values) -> None:
        cell = self.shape.cell
        low, high = (first - MARGIN) // cell, (first - MARGIN + len(block)) // cell + 1
        edges = np.arange(max(low, 0), min(high, len(db)))
        if db[edges].any():
            gains = np.empty((len(block), 1))
            gains_between(edges * cell, db[edges][:, None], first - MARGIN, gains)
            block *= gains


def block_at(samples: Samples, first: int) -> Samples:
    """A copy of a block with MARGIN frames on either side; silence around the take."""
    block = np.zeros((BLOCK + 2 * MARGIN, samples.shape[1]))
    low = max(first - MARGIN, 0)
    piece = samples[low : first + BLOCK + MARGIN]
    offset = low - (first - MARGIN)
    block[offset : offset + len(piece)] = piece
    return block


def loudest(samples: Samples) -> Values:
    """The highest sample in each block and its margins (blocks,)."""
    starts = np.arange(0, len(samples), BLOCK)
    stops = np.minimum(starts + BLOCK + MARGIN, len(samples))
    highest = np.empty(len(starts))
    peaks_between(samples, np.maximum(starts - MARGIN, 0), stops, highest)
    return highest


def reach() -> float:
    """How far a peak between samples may lie above all of them, for any filter here; a factor."""
    banks = [low_pass_bank(PEAK_RATE, *kind) for kind in (LONG, SHORT, CLIP)]
    banks.append(standard_bank())
    return max(float(np.abs(bank).sum(axis=0).max()) for bank in banks)
