# SPDX-License-Identifier: GPL-3.0-or-later
"""Where something may have started: sudden rises of energy, in five bands at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.filters import high_pass, low_pass
from dsp.kernels.arrivals import change_points
from dsp.kernels.onsets import band_energies, local_peaks
from dsp.kernels.onsets import measure_rises as rise_of_bands
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

BANDS_HZ = ((90.0, 300.0), (300.0, 900.0), (900.0, 2700.0), (2700.0, 8000.0), (8000.0, 16000.0))
FRAME_S = 0.0005
SEGMENT_FRAMES = 40_000  # fixed, so that threads share the work without changing the result
RUN_IN_S = 0.1
QUIET_FRAMES = 20_000
AFTER_FRAMES, BEFORE_FRAMES = 6, 12  # 3 ms of stroke against 6 ms of what was there
SPACING_S = 0.012
PICK_BANDS_HZ = ((400.0, 900.0), (900.0, 2700.0), (2700.0, 8000.0), (8000.0, 16000.0))
PICK_CHUNK = 256
PICK_Q = 0.5  # critically damped: the filters of a change point must not ring
# Run-in, ahead, behind, sought from, to, in steps of
PICK_SPANS_S = (0.005, 0.012, 0.006, 0.008, 0.005, 0.0001)
LOW_WEIGHTS = np.array([1.0, 0.5, 0.0, 0.0])
LOOK_FRAMES = 4
LEAST_RISE_DB = 2.2  # mean over bands; of strokes that stand out at all, 1 in 200 rises less


@dataclass(frozen=True)
class Energies:
    """Mean square per frame and band: `power` (frames, 5), `hop` samples a frame."""

    power: Values
    hop: int


@dataclass(frozen=True)
class Rises:
    """Rise in dB at each frame: of each band, `bands` (frames, 5), and their `mean` (frames,)."""

    bands: Values
    mean: Values

    def steepest(self, frame: Positions) -> tuple[Values, Values]:
        """Mean rise and each band's, of the steepest frame near each of `frame`."""
        last = len(self.mean) - 1
        around = np.arange(-LOOK_FRAMES, LOOK_FRAMES + 1)
        around = np.clip(np.minimum(frame, last)[:, None] + around, 0, last)
        steepest = around[np.arange(len(frame)), np.argmax(self.mean[around], axis=1)]
        return self.mean[steepest], self.bands[steepest]


def measure_energies(x: Sound, rate: int) -> Energies:
    """Band energies of x (n,) in frames of half a millisecond; causal, so nothing rings early."""
    hop = round(FRAME_S * rate)
    b, a = band_sections(BANDS_HZ, rate)
    frames = max(len(x) // hop, 1)
    power = np.zeros((frames, len(BANDS_HZ)))
    run_in = round(RUN_IN_S * rate)

    def work(segment: slice) -> None:
        out = power[segment]
        start = segment.start * hop
        skip = min(run_in, start)
        part = x[start - skip : start + len(out) * hop]
        if len(part) == skip + len(out) * hop:
            band_energies(np.ascontiguousarray(part), b, a, skip, hop, out)

    over_chunks(work, frames, SEGMENT_FRAMES)
    return Energies(power, hop)


def band_sections(
    bands_hz: tuple[tuple[float, float], ...], rate: int, q: float = math.sqrt(0.5)
) -> tuple[Values, Values]:
    """High-pass and low-pass of each band, (2, 3, k) and (2, 2, k), as the kernels want them."""
    pairs = [(high_pass(low, rate, q), low_pass(high, rate, q)) for low, high in bands_hz]
    b = np.array([[[pair[i].b[j] for pair in pairs] for j in range(3)] for i in range(2)])
    a = np.array([[[pair[i].a[j] for pair in pairs] for j in range(2)] for i in range(2)])
    return b, a


def rises_db(energies: Energies) -> Values:
    """Rise in dB of each band at each frame, (frames, 5): just after against just before.

    Both are measured above the band's own quiet level, so that noise alone does not rise. In memory
    band after band.
    """
    power = energies.power
    # A sample of the frames tells their quiet level as well as all of them.
    quiet = np.percentile(power[:: max(len(power) // QUIET_FRAMES, 1)], 20, axis=0)
    rises = np.empty_like(power, order="F")

    def work(one: slice) -> None:
        loudest = power[:, one].max()
        floor = np.maximum(quiet[one], 1e-9 * loudest) + 1e-300
        rise_of_bands(power[:, one], floor, AFTER_FRAMES, BEFORE_FRAMES, rises[:, one])

    over_chunks(work, power.shape[1], 1)
    return rises


def mean_rise(rises: Values) -> Values:
    """Mean of what rises in each frame, (frames,), of the rises in dB of its bands."""
    total = np.zeros(len(rises))
    for band in rises.T:  # band by band: all at once take as much memory as the rises, and longer
        total += np.maximum(band, 0.0)
    return np.asarray(total / rises.shape[1])


def measure_rises(energies: Energies) -> Rises:
    """How the energies rise at each frame."""
    bands = rises_db(energies)
    return Rises(bands, mean_rise(bands))


def find_starts(
    x: Sound, energies: Energies, rises: Rises, rate: int
) -> tuple[Positions, Values, Values]:
    """Where something starts in x (n,), how much rises there, and by how much each band, in dB.

    (candidates,) positions, (candidates,) mean rises and (candidates, 5) rises: those of the
    steepest frame nearby.
    """
    positions = find_candidates(x, energies, rises.mean, rate)
    return positions, *rises.steepest(positions // energies.hop)


def find_candidates(x: Sound, energies: Energies, novelty: Values, rate: int) -> Positions:
    """Samples at which something starts, in rising order: the drum, or anything else.

    `novelty` (frames,) is the mean rise of the energies of x (n,). Each is given as its frame says
    and, where they differ, as the change of variance says over all bands, and over the low ones
    alone: a hat often sounds a moment before the stroke.
    """
    marked = np.zeros(len(novelty), dtype=np.bool_)
    local_peaks(novelty, LEAST_RISE_DB, round(SPACING_S / FRAME_S), marked)
    coarse = np.flatnonzero(marked) * energies.hop
    kinds = np.stack([np.ones(len(PICK_BANDS_HZ)), LOW_WEIGHTS])
    fine, low = pick_changes(x, coarse, np.tile(kinds, (len(coarse), 1, 1)), rate).T
    least = rate * FRAME_S
    apart = (np.abs(low - coarse) > 2 * least) & (np.abs(low - fine) > 2 * least)
    return np.unique(np.concatenate([fine, low[apart]])).astype(np.int64)


def pick_changes(x: Sound, near: Positions, weights: Values, rate: int) -> Positions:
    """The samples near each position at which the variance of the bands changes most.

    `weights` (positions, kinds, 4) say how much each of PICK_BANDS_HZ counts; one sample for each
    kind, (positions, kinds).
    """
    b, a = band_sections(PICK_BANDS_HZ, rate, PICK_Q)
    spans = tuple(max(round(s * rate), 1) for s in PICK_SPANS_S)
    picked = np.empty(weights.shape[:2], dtype=np.int64)

    def work(part: slice) -> None:
        scratch = np.empty((spans[1] + spans[2] + 4, max(weights.shape[1:])))
        change_points(x, near[part], b, a, weights[part], spans, scratch, picked[part])

    over_chunks(work, len(near), PICK_CHUNK)
    return picked
