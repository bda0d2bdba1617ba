# SPDX-License-Identifier: GPL-3.0-or-later
"""A take: named microphone tracks with one clock (same rate, same start, same length)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.errors import AudioError, UsageError

Samples = NDArray[np.float64]

LOWEST_RATE, HIGHEST_RATE = 44_100, 192_000
CHUNK = 1 << 16  # frames looked at in one go, where a whole take would need memory


@dataclass(frozen=True)
class Take:
    """Named tracks of one recording.

    `tracks` maps a name to float64 samples of shape (frames, channels), full scale at ±1.
    `rate` is in hertz, 44 100 to 192 000. Raises `UsageError` on a wrong rate or shape and
    `AudioError` where tracks differ in length or hold NaN or infinity (position named).
    """

    rate: int
    tracks: Mapping[str, Samples]

    def __post_init__(self) -> None:
        if not LOWEST_RATE <= self.rate <= HIGHEST_RATE:
            raise UsageError(
                f"sample rate {self.rate} Hz; accepted: {LOWEST_RATE} to {HIGHEST_RATE} Hz"
            )
        if not self.tracks:
            raise UsageError("a take needs at least one track")
        lengths = {}
        for name, samples in self.tracks.items():
            check_samples(name, samples)
            lengths[name] = len(samples)
        if len(set(lengths.values())) > 1:
            listed = ", ".join(f"{name} {length}" for name, length in lengths.items())
            raise AudioError(f"tracks of one take must have one length; found frames: {listed}")

    @property
    def frames(self) -> int:
        """Samples in each channel."""
        return len(next(iter(self.tracks.values())))


def check_samples(name: str, samples: Samples) -> None:
    """Refuse what is not finite float64 of shape (frames ≥ 1, channels ≥ 1)."""
    if samples.ndim != 2 or samples.dtype != np.float64:
        raise UsageError(
            f"track {name}: found {samples.dtype} of shape {samples.shape}; "
            "accepted: float64 of shape (frames, channels)"
        )
    if samples.shape[0] == 0 or samples.shape[1] == 0:
        raise AudioError(f"{name}: no samples; accepted: at least one frame")
    # A sum is finite unless some sample is not: one pass, no temporary of the take's size.
    with np.errstate(invalid="ignore", over="ignore"):  # +inf and −inf, or samples near 1e308
        total = samples.sum()
    if not np.isfinite(total):
        refuse_not_finite(name, samples)


def refuse_not_finite(name: str, samples: Samples) -> None:
    """Raise `AudioError` naming the first NaN or infinity, if there is one."""
    bad = np.argwhere(~np.isfinite(samples))
    if len(bad):
        frame, channel = (int(i) for i in bad[0])
        value = samples[frame, channel]
        raise AudioError(
            f"{name}: {value} at sample {frame} of channel {channel + 1}; accepted: finite samples"
        )


def sounding_part(samples: Samples) -> tuple[int, int]:
    """First frame of samples (frames, channels) that is not zero, and one past the last."""
    starts = range(0, len(samples), CHUNK)
    for start in starts:
        sounding = np.flatnonzero(samples[start : start + CHUNK].any(axis=1))
        if len(sounding):
            first = start + int(sounding[0])
            break
    else:
        return 0, 0
    for start in reversed(starts):
        sounding = np.flatnonzero(samples[start : start + CHUNK].any(axis=1))
        if len(sounding):
            break
    return first, start + int(sounding[-1]) + 1


def stretch(
    x: NDArray[Any], first: int, stop: int, dtype: type[np.floating[Any]] = np.float64
) -> NDArray[Any]:
    """The part of x (n,) from `first` to `stop`, silence where it has none; always a copy."""
    out = np.zeros(stop - first, dtype)
    low, high = max(first, 0), min(stop, len(x))
    if high > low:
        out[low - first : high - first] = x[low:high]
    return out
