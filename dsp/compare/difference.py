# SPDX-License-Identifier: GPL-3.0-or-later
"""The difference of two prints of one track, as audio and as level over time.

Decisions:

- It is what has to be added to the first to get the second, so first plus difference gives the
  second back, sample for sample; heard alone, it is what a treatment takes away (and puts in).
- Prints are subtracted as printed, without the gain of matching.
- Differences of 16 and 24-bit files fit into the 24 bits of a 32-bit float, so their files do; all
  others are written as 64-bit float. Where even that cannot give a sample back, as floats of very
  different sizes cannot, it is counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.audio import SampleFormat
from dsp.take import CHUNK, Samples

Values = NDArray[np.float64]

STEP_S = 0.01
COARSE = 100  # steps in one coarse value: a second
SMALL = ("pcm16", "pcm24")


@dataclass(frozen=True, eq=False)
class Difference:
    """What the difference of two prints is like; its samples are in its file.

    `rms` and `peak` hold amplitudes of 10 ms each, over all channels; `whole` is the RMS amplitude
    of all, `first` that of the first print. `inexact` counts samples that it does not give back,
    `astray` is the most that one of them is off.
    """

    rate: int
    rms: Values
    peak: Values
    whole: float
    first: float
    inexact: int
    astray: float

    @property
    def rms_dbfs(self) -> float | None:
        """RMS level of all of it, dBFS; None for digital silence."""
        return decibels(self.whole)

    @property
    def peak_dbfs(self) -> float | None:
        """Its highest sample peak; None for digital silence."""
        return decibels(float(self.peak.max()))

    @property
    def relative_db(self) -> float | None:
        """RMS level re the first print's; None where either is silent."""
        return decibels(self.whole / self.first) if self.first > 0 else None

    def coarse_dbfs(self) -> list[float | None]:
        """RMS level of each second, dBFS; None for digital silence."""
        starts = np.arange(0, len(self.rms), COARSE)
        powers = np.add.reduceat(self.rms**2, starts)
        counts = np.diff(np.append(starts, len(self.rms)))
        return [decibels(float(value)) for value in np.sqrt(powers / counts)]

    def arrays(self) -> dict[str, NDArray[Any]]:
        """What is saved: `at` (first sample of each step), `rms_dbfs`, `peak_dbfs`, `rate`.

        Digital silence is −inf.
        """
        with np.errstate(divide="ignore"):
            rms, peak = 20 * np.log10(self.rms), 20 * np.log10(self.peak)
        at = np.arange(len(self.rms), dtype=np.int64) * round(STEP_S * self.rate)
        return {"at": at, "rms_dbfs": rms, "peak_dbfs": peak, "rate": np.array(self.rate)}


def decibels(amplitude: float) -> float | None:
    """20·lg, rounded to 0.01 dB; None for silence."""
    return round(20 * math.log10(amplitude), 2) if amplitude > 0 else None


def difference_format(first: SampleFormat, second: SampleFormat) -> SampleFormat:
    """The smallest sample format that holds every difference of two files."""
    small = first.subtype in SMALL and second.subtype in SMALL
    return SampleFormat("wav", "float32" if small else "float64")


def subtract(first: Samples, second: Samples, rate: int) -> Difference:
    """Turn `second` (frames, channels), in place, into what gives it when added to `first`."""
    inexact, astray, energy = 0, 0.0, 0.0
    for start in range(0, len(first), CHUNK):
        part, before = second[start : start + CHUNK], first[start : start + CHUNK]
        moved = part - before
        if len(off := (before + moved - part)[before + moved != part]):
            inexact, astray = inexact + len(off), max(astray, float(np.abs(off).max()))
        energy += float(np.einsum("ij,ij->", before, before))
        part[:] = moved
    rms, peak = _levels(second, round(STEP_S * rate))
    whole = math.sqrt(float(np.einsum("ij,ij->", second, second)) / second.size)
    return Difference(rate, rms, peak, whole, math.sqrt(energy / first.size), inexact, astray)


def _levels(samples: Samples, step: int) -> tuple[Values, Values]:
    """RMS and peak amplitude of every `step` samples; the last step may be shorter."""
    count = len(samples) // step
    whole = samples[: count * step].reshape(count, step * samples.shape[1])
    rms = np.sqrt(np.einsum("ij,ij->i", whole, whole) / whole.shape[1])
    peak = np.maximum(whole.max(axis=1), -whole.min(axis=1)) if count else np.zeros(0)
    rest = samples[count * step :]
    if len(rest):
        rms = np.append(rms, math.sqrt(float((rest**2).mean())))
        peak = np.append(peak, float(np.abs(rest).max()))
    return rms, peak
