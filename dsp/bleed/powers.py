# SPDX-License-Identifier: GPL-3.0-or-later
"""Level of a track over time in each band."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.filters import low_pass, stack
from dsp.hits.hearing import at_lower_rate, lowering
from dsp.kernels.bleed import levels_of, split_powers
from dsp.kernels.zero_phase import forward_backward
from dsp.take import Samples, sounding_part, stretch
from dsp.threads import over_chunks

Levels = NDArray[np.float32]
Values = NDArray[np.float64]

# Closest around a snare's fundamental, to tell it from a kick and toms, an octave apart above:
# twice as many bands measured no better.
CROSSOVERS_HZ = (80.0, 130.0, 190.0, 280.0, 400.0, 630.0, 1200.0, 2500.0, 5000.0, 9000.0)
CENTRES_HZ = np.array(
    [
        CROSSOVERS_HZ[0] * 0.75,
        *np.sqrt(np.array(CROSSOVERS_HZ[1:]) * np.array(CROSSOVERS_HZ[:-1])),
        CROSSOVERS_HZ[-1] * 1.2,
    ]
)
FRAME_S = 64 / 48_000
BLOCK_FRAMES = 1024  # fixed, so that threads share the work without changing the result
PART_BANDS = 3  # none is left alone: for one, in memory like a row, kernels compile again
SMOOTH_FRAMES, CALM_FRAMES = 5, 9
FLOOR_DB = -140.0
RESAMPLED = 32  # samples at the lower rate that the filter of a change of rate reaches


@dataclass(frozen=True)
class BandLevels:
    """Level in dB of each band over time, smoothed over 5 frames (`level`) and 9 (`calm`).

    Both (frames, bands), in memory band after band; frame f is samples edges[f] … edges[f + 1] − 1
    of the track. Digital silence at both ends is left out, so that where a track starts changes
    nothing. Levels are against the loudest frame of any band, which is at `loudest_db`.
    """

    level: Levels
    calm: Levels
    edges: NDArray[np.int64]
    loudest_db: float

    def frame_of(self, samples: NDArray[np.int64]) -> NDArray[np.int64]:
        """Frames that samples lie in; the nearest one for those outside."""
        return np.clip(np.searchsorted(self.edges, samples, "right") - 1, 0, len(self.level) - 1)

    @property
    def middles(self) -> NDArray[np.int64]:
        """Sample in the middle of each frame."""
        return np.asarray((self.edges[:-1] + self.edges[1:]) // 2)


def measure_levels(
    samples: Samples, rate: int, edges: NDArray[np.int64] | None = None, threads: int | None = None
) -> BandLevels:
    """Band levels of samples (frames, channels), not all zero; channels are added in power.

    `edges` are those of the frames, where another track has set them; `threads` share the work, by
    default as many as there are cores. Above 64 kHz it is measured at a half or a quarter of the
    rate, so that the bands are the same at every rate.
    """
    if edges is None:
        first, last = sounding_part(samples)
        count = max(int(np.ceil((last - first) / (FRAME_S * rate))), 1)
        edges = first + np.round(np.arange(count + 1) * FRAME_S * rate).astype(np.int64)
    frames = len(edges) - 1
    step = lowering(rate)
    b, a, margin = stack([low_pass(hz, rate // step) for hz in CROSSOVERS_HZ])
    margin += RESAMPLED if step > 1 else 0
    power = np.zeros((frames, len(CENTRES_HZ)), np.float32)

    def work(block: slice) -> None:
        inside = edges[block.start : block.stop + 1]
        part = np.empty((len(inside) - 1, power.shape[1]))
        for channel in range(samples.shape[1]):
            first, last = int(inside[0]) - margin * step, int(inside[-1]) + margin * step
            x = at_lower_rate(stretch(samples[:, channel], first, last), step)
            below = np.empty((len(CROSSOVERS_HZ), len(x)))
            forward_backward(x, b, a, below)
            split_powers(x, below, (inside - inside[0]) // step + margin, part)
            power[block] += part

    over_chunks(work, frames, BLOCK_FRAMES, threads)
    floor = 10 ** (FLOOR_DB / 10) * float(power.max())
    gain = np.float32(10 * np.log10(max(float(power.max()), 1e-300)))
    level, calm = _smoothed(power, SMOOTH_FRAMES, floor), _smoothed(power, CALM_FRAMES, floor)
    # Against the loudest frame of any band: a track's gain changes nothing.
    level -= gain
    calm -= gain
    return BandLevels(level, calm, edges, float(gain))


def over_bands(work: Callable[[slice], None]) -> None:
    """Call `work` for all bands, some at a time, in threads: it treats each band by itself."""
    over_chunks(work, len(CENTRES_HZ), PART_BANDS)


def _smoothed(power: Levels, count: int, floor: float) -> Levels:
    window = np.hanning(count + 2)[1:-1]
    out = np.empty(power.shape, np.float32, order="F")
    levels_of(power, window / window.sum(), floor, out)
    return out
