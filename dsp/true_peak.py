# SPDX-License-Identifier: GPL-3.0-or-later
"""Peaks between the samples, at 16 times the rate (ITU-R BS.1770-5, Annex 2, asks for 4)."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from dsp.kernels.soften import true_peaks
from dsp.take import Samples

Values = NDArray[np.float64]

PEAK_RATE, ROUGH_RATE = 16, 4
# A peak lies above the highest of four values a sample by no more than 1 / cos(π·f / 4), f in
# cycles a sample; the short low-pass below lets a little pass up to 0.62.
ROUGH = 1.15
# ITU-R BS.1770-5, Annex 2: the standard's own interpolator by phases, the third and fourth mirrored
_STANDARD = (
    (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
     0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
     0.0148925781250, -0.0083007812500),
    (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
     0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
     0.0330810546875, -0.0189208984375),
)  # fmt: skip
LONG, SHORT = (0.5, 32, 7.86), (0.5, 10, 5.0)
# For clipping: flat to 0.42 of the rate, 100 dB down from half of it on, where aliases fold.
CLIP = (0.4583, 40, 10.06)
CELL = 64  # frames that are looked at, or left out, together
PART = 1 << 16  # frames at a time


@cache
def low_pass_bank(factor: int, cutoff: float, half: int, beta: float) -> Values:
    """A Kaiser-windowed sinc of ±`half` samples, by phases: (2·half, factor), as kernels want it.

    `cutoff` (−6 dB) in cycles a sample at the lower rate.
    """
    at = np.arange(2 * half)[:, None] - (half - 1) - np.arange(factor)[None, :] / factor
    window = np.i0(beta * np.sqrt(np.maximum(1 - (at / half) ** 2, 0))) / np.i0(beta)
    bank = np.ascontiguousarray(2 * cutoff * np.sinc(2 * cutoff * at) * window)
    bank.flags.writeable = False
    return bank


@cache
def standard_bank() -> Values:
    """The standard's interpolator as kernels want it, (12, 4)."""
    first, second = (np.array(phase) for phase in _STANDARD)
    bank = np.ascontiguousarray(np.stack([first, second, second[::-1], first[::-1]], axis=1))
    bank.flags.writeable = False
    return bank


def may_exceed(block: Samples, bank: Values, level: float, cell: int) -> NDArray[np.bool_]:
    """Whether a peak between samples could lie above `level`, for each cell of the block.

    No peak is higher than the largest sample around it times the sum of the filter's magnitudes.
    block (n, channels), n a multiple of `cell`. Cells at the ends, whose surroundings lie outside
    of the block, cannot be told and are left out.
    """
    half = len(bank) // (2 * cell) + 1
    near = np.zeros(len(block) // cell)
    for channel in range(block.shape[1]):
        x = block[:, channel].reshape(-1, cell)
        np.maximum(near, np.maximum(x.max(axis=1), -x.min(axis=1)), out=near)
    around = np.lib.stride_tricks.sliding_window_view(near, 2 * half + 1).max(axis=1)
    told = np.zeros(len(near), np.bool_)
    told[half:-half] = around * np.abs(bank).sum(axis=0).max() > level
    return told


def peaks_in_cells(block: Samples, above: float, cell: int) -> Values:
    """The highest true peak over the channels in each cell (cells,); may be 0 where under `above`.

    block (n, channels) as in `may_exceed`. Measured by two low-passes at half the rate, a
    long one, 80 dB down from 0.54 of it on, and one as short as meters have, and by the standard's
    own interpolator. They differ by what lies near half the rate, about which meters do not agree
    either; the highest peak counts.
    """
    highest, found = np.zeros(len(block) // cell), np.empty(len(block) // cell)
    for kind in (LONG, SHORT):
        fine, rough = (low_pass_bank(rate, *kind) for rate in (PEAK_RATE, ROUGH_RATE))
        wanted = may_exceed(block, fine, above, cell)
        for channel in range(block.shape[1] if wanted.any() else 0):
            x = np.ascontiguousarray(block[:, channel])
            true_peaks(x, rough, cell, wanted, found)
            true_peaks(x, fine, cell, found * ROUGH > above, found)
            np.maximum(highest, found, out=highest)
    # the standard's own interpolator, whose gain has ripples
    wanted = may_exceed(block, standard_bank(), above, cell)
    for channel in range(block.shape[1] if wanted.any() else 0):
        x = np.ascontiguousarray(block[:, channel])
        true_peaks(x, standard_bank(), cell, wanted, found)
        np.maximum(highest, found, out=highest)
    return highest


def true_peak_dbtp(samples: Samples) -> float | None:
    """Highest true peak of samples (frames, channels), dB re full scale; None for silence.

    Before and after them is silence, and what rings out into it counts.
    """
    highest = max(float(samples.max()), -float(samples.min()))
    if highest == 0:
        return None
    margin = 2 * CELL  # the filters' reach, in whole cells, and a cell that they ring out into
    for start in range(-CELL, len(samples) + CELL, PART):
        block = np.zeros((PART + 2 * margin, samples.shape[1]))
        first = max(start - margin, 0)
        part = samples[first : start + PART + margin]
        begin = first - (start - margin)
        block[begin : begin + len(part)] = part
        highest = max(highest, float(peaks_in_cells(block, highest, CELL).max()))
    return 20 * math.log10(highest)
