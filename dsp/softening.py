# SPDX-License-Identifier: GPL-3.0-or-later
"""Peaks brought under a true-peak ceiling: a limiter, a clipper that rounds, and a guard.

Decisions:

- What the clipper takes away is computed at a higher rate, and only that is brought back and added.
  Where it takes nothing, not a bit changes, and there is no border that could click.
- All filters are symmetrical, so nothing moves in time. Where no sum of nearby samples could reach
  the level in question, nothing is computed.
- The low-pass that brings the clipper's change back lets peaks rise above the ceiling again. The
  guard is a second look-ahead gain; the outcome is measured, and the guard lowered until it holds.
- Everything is computed in cells and blocks that are counted from the first frame that sounds.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.kernels.envelope import peaks_between
from dsp.kernels.gain import ANCHOR, gains_between
from dsp.kernels.soften import look_ahead, round_off
from dsp.take import Samples, sounding_part
from dsp.true_peak import (
    CLIP,
    LONG,
    PEAK_RATE,
    SHORT,
    low_pass_bank,
    may_exceed,
    peaks_in_cells,
)

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]

BLOCK, MARGIN = 32 * ANCHOR, ANCHOR  # frames worked on at once, and what is looked at around
WAVE = 16  # blocks in flight at once
# The guard acts on what is nearer to the ceiling than the first, and takes it down to the second:
# the meter of ITU-R BS.1770, whose short filter has ripples, must not show more than the ceiling.
NEAR_DB, UNDER_DB = 0.1, 0.11
ROUNDS = 50  # of measuring and lowering; two or three are usual


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


class Plan:
    """Looks at a take and settles the gains.

    `softening` is the treatment; `reduction_db` (cells,) the deepest that each of its cells is
    taken down by all of it together, 0 throughout where nothing is to be done.
    """

    def __init__(self, samples: Samples, shape: Shape) -> None:
        self._first, _ = sounding_part(samples)
        samples = samples[self._first :]
        self._samples, self._shape = samples, shape
        self._blocks = -(-len(samples) // BLOCK)
        cells = self._blocks * (BLOCK // shape.cell)
        loud = loudest(samples)
        need, none = np.zeros(cells), np.zeros(cells + 1)
        with ThreadPoolExecutor(os.cpu_count() or 1) as self._pool:
            for first, seen in self._look(self._raw_peaks, loud * reach() > shape.limit):
                need[first : first + len(seen)] = decibels_under(seen, shape.limit)
            before = shape.gain_under(need)
            after, kept = self._guarded(before, none, loud * reach() > shape.start)
        self.softening = Softening(shape, self._first, before, after)
        gains = np.minimum(before[1:], before[:-1]) + np.minimum(after[1:], after[:-1])
        self.reduction_db: Values = (gains + 20.0 * np.log10(kept))[
            : -(-len(samples) // shape.cell)
        ]

    def _guarded(self, before: Values, none: Values, concerned: Flags) -> tuple[Values, Values]:
        """The guard's gain, lowered until no true peak is left above the ceiling.

        Returns it, and what `Softening.treat` says of each cell.
        """
        near, aim = (self._shape.ceiling * 10.0 ** (-db / 20.0) for db in (NEAR_DB, UNDER_DB))
        need, after, kept = np.zeros(len(none) - 1), none, np.ones(len(none) - 1)
        for left in reversed(range(ROUNDS)):
            treatment = Softening(self._shape, self._first, before, after)

            def outcome(block: Samples, first: int, by: Softening = treatment) -> Values:
                kept = by.treat(block, first)
                return np.stack([self._peaks(block, first, near), kept], axis=1)

            highest = 0.0
            for first, seen in self._look(outcome, concerned):
                here = slice(first, first + len(seen))
                kept[here] = seen[:, 1]
                highest = max(highest, seen[:, 0].max())
                if seen[:, 0].max() > near:
                    need[here] += decibels_under(seen[:, 0], aim)
            if highest <= near:
                break
            if left == 0:  # one gain on everything cannot fail
                return after + decibels_under(np.array([highest]), aim), kept
            lowered = self._shape.gain_under(need)
            moved = np.flatnonzero(lowered != after) // (BLOCK // self._shape.cell)
            concerned = np.isin(np.arange(self._blocks), moved)
            after = lowered
        return after, kept

    def _raw_peaks(self, block: Samples, first: int) -> Values:
        return self._peaks(block, first, self._shape.limit)

    def _peaks(self, block: Samples, first: int, above: float) -> Values:
        """True peaks in each cell; what rings out of the take counts where it ends or begins."""
        cell = self._shape.cell
        block[: max(MARGIN - first, 0)] = 0.0  # the filters' ringing that is not kept
        block[MARGIN + len(self._samples) - first :] = 0.0
        peaks = peaks_in_cells(block, above, cell)
        begin, end = MARGIN // cell, (MARGIN + BLOCK) // cell
        if first == 0:
            peaks[begin] = max(peaks[begin - 1], peaks[begin])
        if first + BLOCK >= len(self._samples):
            peaks[end - 1] = max(peaks[end - 1], peaks[end])
        return peaks

    def _look(
        self, look: Callable[[Samples, int], Values], concerned: Flags
    ) -> Iterator[tuple[int, Values]]:
        """What `look` sees in the blocks concerned: first cell, and a row for each of its cells."""
        cell = self._shape.cell
        inside = slice(MARGIN // cell, (MARGIN + BLOCK) // cell)

        def run(number: int) -> tuple[int, Values]:
            first = number * BLOCK
            return first // cell, look(block_at(self._samples, first), first)[inside]

        return self._pool.map(run, np.flatnonzero(concerned).tolist())


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
    return max(float(np.abs(bank).sum(axis=0).max()) for bank in banks)


def decibels_under(peaks: Values, level: float) -> Values:
    """Gain in dB (≤ 0) that takes each of `peaks` down to `level`."""
    return np.asarray(-20.0 * np.log10(np.maximum(peaks / level, 1.0)))
