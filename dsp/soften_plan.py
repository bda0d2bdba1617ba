# SPDX-License-Identifier: GPL-3.0-or-later
"""Settles the gains of a softening: looks at a take, and measures the outcome until it holds.

The low-pass that brings the clipper's change back lets peaks rise above the ceiling again. The
guard is a second look-ahead gain; the outcome is measured, and the guard lowered until no true peak
is left above the ceiling.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from dsp.softening import BLOCK, MARGIN, Shape, Softening, block_at, loudest, reach
from dsp.take import Samples, sounding_part
from dsp.true_peak import peaks_in_cells

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]

# The guard acts on what is nearer to the ceiling than the first, and takes it down to the second:
# meters whose filters are none of ours must not show more than the ceiling either.
NEAR_DB, UNDER_DB = 0.1, 0.11
ROUNDS = 50  # of measuring and lowering; two or three are usual


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


def decibels_under(peaks: Values, level: float) -> Values:
    """Gain in dB (≤ 0) that takes each of `peaks` down to `level`."""
    return np.asarray(-20.0 * np.log10(np.maximum(peaks / level, 1.0)))
