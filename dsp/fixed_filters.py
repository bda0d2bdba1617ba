# SPDX-License-Identifier: GPL-3.0-or-later
"""Filters that do not change over a take, as treatments: in minimum phase, or without phase shift.

Both have the same magnitude, that of second-order sections in series. A section run forward and
backward has the squared magnitude |H|², and √|H| is no section; so the filter without phase shift
is the real response |H| itself, applied to overlapping pieces in the frequency domain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.filters import Section, response, stack
from dsp.kernels.sections import run_cascade
from dsp.take import Samples

SHORTEST, LONGEST = 1 << 15, 1 << 22  # samples in a piece, powers of two
TAIL = 1e-9  # sum of what a piece is too short for, −180 dB


@dataclass(frozen=True)
class MinimumPhase:
    """`sections` in series, run once: rings after a stroke, never before, and turns the phase."""

    sections: tuple[Section, ...]

    def apply(self, samples: Samples) -> None:
        """Filter samples (frames, channels) in place."""
        b, a, _ = stack(list(self.sections))
        run_cascade(samples, b, a, np.zeros((2, b.shape[1], samples.shape[1])))


@dataclass(frozen=True)
class ZeroPhase:
    """The magnitude of `sections` in series, without phase shift: rings before and after."""

    sections: tuple[Section, ...]

    def apply(self, samples: Samples) -> None:
        """Filter samples (frames, channels) in place; around the take there is silence."""
        gains = self._gains()
        size = 2 * (len(gains) - 1)
        reach = size // 4
        around = np.zeros((size, samples.shape[1]))
        for start in range(0, len(samples), size - 2 * reach):
            stop = min(start + size - 2 * reach, len(samples))
            ahead = samples[start : stop + reach]
            around[reach : reach + len(ahead)] = ahead
            around[reach + len(ahead) :] = 0.0
            if around.any():
                spectrum = np.fft.rfft(around, axis=0) * gains[:, None]
                treated = np.fft.irfft(spectrum, size, axis=0)
                samples[start:stop] = treated[reach : reach + stop - start]
            around[:reach] = around[size - 2 * reach : size - reach].copy()

    def _gains(self) -> NDArray[np.float64]:
        """|H| at the frequencies of a piece that is long enough for the filter to ring out."""
        size = SHORTEST
        while True:
            hz = np.arange(size // 2 + 1) / size
            gains = np.prod([np.abs(response(s, hz, 1.0)) for s in self.sections], axis=0)
            rings = np.abs(np.fft.irfft(gains, size)[size // 4 : size // 2])
            if 2 * rings.sum() < TAIL or size >= LONGEST:
                return np.asarray(gains)
            size *= 2


def phase_turn(sections: tuple[Section, ...], rate: float) -> tuple[float, float]:
    """The largest phase shift of sections in series, in degrees, and its frequency in hertz."""
    hz = np.geomspace(20.0, min(20_000.0, 0.45 * rate), 600)
    degrees = np.rad2deg(sum(np.angle(response(section, hz, rate)) for section in sections))
    largest = int(np.argmax(np.abs(degrees)))
    return float(degrees[largest]), float(hz[largest])
