# SPDX-License-Identifier: GPL-3.0-or-later
"""Where in a track something begins as the drum's strokes do, however far below everything else.

Strokes of one drum are alike as waveforms, and what is alike adds up in amplitude while bleed adds
up in power: a matched filter hears strokes that raise no band's power. Under coloured noise it
divides by the noise's spectrum (generalised likelihood ratio for a known signal of unknown level;
S. M. Kay, "Fundamentals of Statistical Signal Processing II: Detection Theory", 1998, chapter 7;
from memory), which is taken from what sounds there, before, meanwhile and after: a hat is then no
noise that suddenly rises.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.excerpts import excerpts, unit
from dsp.take import stretch
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

AHEAD_S, LENGTH_S, FADE_S = 0.00025, 0.020, 0.005
BLOCK_S = 1024 / 48000  # over which the noise is taken to stay as it is
AROUND = 2  # blocks before and after that tell the noise, beside the block itself
LOW_HZ, HIGH_HZ = 60.0, 11_000.0
BAND_HZ = 490.0  # in which the noise is measured, smoothed over about twice as much
QUIETEST = 1e-9  # of the track's mean power: nothing below is noise
LEAST_TEACHERS = 4
LOBE = 0.5
LEAST_VALUE = 1e-3
TAPS = 8  # values between two are those of a windowed sinc
POWER_PART = 65536
CHUNK = 64  # fixed, so that threads share the work without changing the result


@dataclass(frozen=True)
class Matches:
    """How much what begins at each other sample is as the drum's strokes begin.

    `value` (n / 2,) is the matched filter's output over the deviation that noise of the spectrum
    that is heard there gives it: without a stroke about normal, mean 0, deviation 1. `scale`
    (blocks,) is that deviation over the beginning's own level, one for each `block` samples.
    """

    value: NDArray[np.float32]
    scale: NDArray[np.float32]
    block: int

    def level_db(self, at: Positions, reach: int) -> Values:
        """Level of what begins near each of `at` re the beginning that was learned, dB."""
        block = np.clip(at // self.block, 0, len(self.scale) - 1)
        half = reach // 2
        last = max(len(self.value) - 1, 0)
        near = self.value[np.clip(at[:, None] // 2 + np.arange(-half - TAPS, half + TAPS), 0, last)]
        taps = np.arange(-TAPS, TAPS) + 0.5
        between = np.sinc(taps) * np.cos(np.pi * taps / (2 * TAPS)) ** 2
        odd = np.array([np.convolve(row, between, "valid") for row in near.astype(np.float64)])
        value = np.maximum(self.best_near(at, reach), odd.max(axis=1, initial=LEAST_VALUE))
        return np.asarray(20 * np.log10(value * self.scale[block]))

    def best_near(self, at: Positions, reach: int) -> Values:
        """The highest value within `reach` samples of each of `at`."""
        half, last = reach // 2, len(self.value) - 1
        middle = np.clip(at // 2, 0, max(last, 0))
        first, stop = np.maximum(middle - half, 0), middle + half + 1
        # Part by part: all at once would be many times the track.
        highest = [self.value[a:b].max() for a, b in zip(first, stop, strict=True)]
        return np.array(highest, dtype=np.float64)

    def peaks(self, least: float, apart: int, lobes: int) -> Positions:
        """Samples at which the value is at least `least` and the highest within `apart` samples.

        What rings is like itself a period later: a value under LOBE of the highest within `lobes`
        samples is no peak of its own.
        """
        loud = 2 * np.flatnonzero(self.value >= least)
        peaks = loud[self.value[loud // 2] >= self.best_near(loud, apart)]
        peaks = peaks[np.diff(peaks, prepend=-apart - 2) > apart]  # the first of equals
        highest = self.best_near(peaks, lobes)
        return np.asarray(peaks[self.value[peaks // 2] >= LOBE * highest])


def learn_beginning(x: Sound, onset: Positions, rate: int) -> Values | None:
    """Mean of how strokes of x (n,) begin, (samples,), each as much as the others.

    It starts AHEAD_S before the onset, so that what rises to it counts. None: too few strokes.
    """
    if len(onset) < LEAST_TEACHERS:
        return None
    ahead, length, fade = (round(s * rate) for s in (AHEAD_S, LENGTH_S, FADE_S))
    mean = unit(excerpts(x, onset, ahead, length)).mean(axis=0)
    mean[-fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return np.asarray(mean)


def match(x: Sound, beginning: Values, rate: int) -> Matches:
    """Listen through x (n,) for the beginning that `learn_beginning` has learned."""
    block = 2 * round(BLOCK_S * rate / 2)
    size = 2 * block
    blocks = -(-len(x) // block)
    low, high = math.ceil(LOW_HZ / rate * size), min(math.ceil(HIGH_HZ / rate * size), block // 2)
    shape = np.fft.rfft(beginning, size)[low:high].astype(np.complex64)
    wide = max(round(BAND_HZ / rate * block), 1)
    edges = np.arange(0, high // 2 + wide + 1, wide)
    window = np.hanning(block + 1)[:block]
    window = (window / np.sqrt((window**2).sum())).astype(np.float32)
    floor = QUIETEST * _power(x) + 1e-30
    value = np.zeros((blocks, block // 2), np.float32)
    scale = np.zeros(blocks, np.float32)

    def work(part: slice) -> None:
        # From a little before the first block on: a value stands where the stroke's onset is.
        first = (part.start - AROUND) * block - round(AHEAD_S * rate)
        stop = first + (part.stop - part.start + 2 * AROUND) * block
        cut = stretch(x, first, stop, np.float32)
        noise = _noise(cut.reshape(-1, block) * window, edges)
        less = (1 / (noise + floor)).astype(np.float32)
        heard = np.lib.stride_tricks.sliding_window_view(cut, size)[::block][AROUND:]
        heard = heard[: part.stop - part.start]
        weighted = np.conj(shape) * np.repeat(less, 2 * wide, axis=1)[:, low:high]
        product = np.zeros((len(heard), block // 2 + 1), np.complex64)
        product[:, low:high] = np.fft.rfft(heard, axis=1)[:, low:high] * weighted
        matched = np.fft.irfft(product, block, axis=1)[:, : block // 2]
        energy = 2 / size * (weighted * shape).real.sum(axis=1, keepdims=True)
        value[part] = 0.5 * matched / np.sqrt(energy)
        scale[part] = 1 / np.sqrt(energy[:, 0])

    over_chunks(work, blocks, CHUNK)
    return Matches(value.ravel()[: -(-len(x) // 2)], scale, block)


def _power(x: Sound) -> float:
    """Mean power of x (n,), without a copy of it."""
    parts = (x[at : at + POWER_PART] for at in range(0, len(x), POWER_PART))
    return sum(float(np.square(part).sum(dtype=np.float64)) for part in parts) / max(len(x), 1)


def _noise(frames: NDArray[np.float32], edges: Positions) -> Values:
    """Power in bands from `edges` around each block but the outermost, (blocks, bands).

    Digital silence is not counted: where a track begins it is as loud as just after.
    """
    spectra = np.fft.rfft(frames, axis=1)
    power = spectra.real**2 + spectra.imag**2
    bands = np.add.reduceat(power[:, : edges[-1]], edges[:-1], axis=1, dtype=np.float64)
    bands /= np.diff(edges)
    wider = np.pad(bands, ((0, 0), (1, 1)), mode="edge")
    smooth = 0.25 * (wider[:, :-2] + wider[:, 2:]) + 0.5 * bands
    count = 2 * AROUND + 1
    blocks = len(smooth) - count + 1
    total, sounding = np.zeros_like(smooth[:blocks]), np.zeros(blocks)
    for later in range(count):
        total += smooth[later : later + blocks]
        sounding += smooth[later : later + blocks].any(axis=1)
    return np.asarray(total / np.maximum(sounding, 1)[:, None])
