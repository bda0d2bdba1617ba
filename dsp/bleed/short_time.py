# SPDX-License-Identifier: GPL-3.0-or-later
"""Short-time spectra of a track, some frames at a time, and back."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

Values = NDArray[np.float64]
Spectra = NDArray[np.complex128]

FRAME_S = 4096 / 48_000
OVERLAP = 4  # square roots of Hann windows, used twice, add up to 2 at this overlap


@dataclass(frozen=True)
class ShortTime:
    """Frames of `size` samples, each `hop` after the last; frame 0 holds the first hop samples."""

    size: int
    hop: int

    @classmethod
    def at(cls, rate: int) -> ShortTime:
        """Frames of about 85 ms."""
        hop = next_fast_len(round(FRAME_S * rate / OVERLAP), real=True)
        return cls(OVERLAP * hop, hop)

    @property
    def bins(self) -> int:
        """Bins of a spectrum."""
        return self.size // 2 + 1

    @property
    def window(self) -> Values:
        """Square root of a periodic Hann window."""
        return np.sqrt(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(self.size) / self.size))

    def count(self, samples: int) -> int:
        """Frames in which any of so many samples lies."""
        return -(-(samples + self.size - self.hop) // self.hop)

    def spectra(self, x: Values, first: int, count: int) -> Spectra:
        """Spectra (bins, count) of frames of x (n,) from `first` on; silence around the track."""
        start = (first + 1) * self.hop - self.size
        part = np.zeros((count - 1) * self.hop + self.size)
        low, high = max(start, 0), min(start + len(part), len(x))
        if high > low:
            part[low - start : high - start] = x[low:high]
        frames = np.lib.stride_tricks.sliding_window_view(part, self.size)[:: self.hop]
        return np.ascontiguousarray(rfft(frames * self.window, axis=1, workers=os.cpu_count()).T)

    def add_back(self, spectra: Spectra, first: int, out: Values) -> None:
        """Add what frames (bins, count) from `first` on sound like to out (n,)."""
        frames = irfft(spectra.T, self.size, axis=1, workers=os.cpu_count()) * (
            self.window * (2 / OVERLAP)
        )
        for number, frame in enumerate(frames):
            start = (first + number + 1) * self.hop - self.size
            low, high = max(start, 0), min(start + self.size, len(out))
            if high > low:
                out[low:high] += frame[low - start : high - start]
