# SPDX-License-Identifier: GPL-3.0-or-later
r"""Bleed that other microphones of the take predict, wave for wave.

In a bin of short-time spectra a track is y = s + h∗b and a witness w = b + a∗s: drum s and bleed b,
each with a filter over some frames to the other microphone. Two regressions give the filters:

- a, from the track to the witness, with an estimate of the drum as *instrument* (whatever it lacks
  or has too much, bleed is not like it): then w − a∗y has no drum in it, only bleed, filtered;
- from there to the track by least squares, each frame weighed by what it leaves unexplained, so
  that gaps count for much and strokes for little.

What the second predicts is subtracted. How far to trust it is measured: filters from two halves of
the take that do not agree predict nothing. The drum's estimate gets better with less bleed, so both
are done in rounds. (Instrumental variables: O. Reiersøl, 1945; convolutive transfer functions:
Talmon, Cohen, Gannot, IEEE Trans. Audio Speech Lang. Process. 17(4), 2009; weights by the inverse
of what is left: Nakatani et al., "Speech dereverberation based on variance-normalized delayed
linear prediction", same journal 18(7), 2010. All from memory.)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from dsp.bleed.short_time import ShortTime, Spectra
from dsp.kernels.cancelling import add_products, filter_frames
from dsp.threads import over_chunks

Values = NDArray[np.float64]

TAPS, AHEAD = 6, 1  # frames a filter is long, some 150 ms of the room; so many of them look ahead
BEFORE = TAPS - 1 - AHEAD
CHUNK = 256  # frames at a time: bounds the memory
PART_BINS = 128  # fixed, so that threads share the work without changing the result
HALF_S = 0.5  # the take is dealt out to two halves in turns this long
DRUM_RIDGE, BLEED_RIDGE = 1e-4, 1e-3
WITNESS_FLOOR, TRACK_FLOOR = 1e-3, 1e-2  # of the mean power of a bin: nothing softer weighs more
LEAST_LEFT = 0.1  # of a witness's power, the drum taken out; below, it hears them as the track does
WRONG = 3e-4  # of what is left, a prediction may be drum after all: softer ones are worth little
AGREE_BINS = 5
LOOKS = 3  # times that a round goes through the take
TINY = 1e-30


class Canceller:
    """Learns, round after round, what witnesses tell of the bleed in one channel."""

    def __init__(
        self,
        track: Values,
        witnesses: Sequence[Values],
        rate: int,
        told: Callable[[], None] = lambda: None,
    ) -> None:
        """Track and witnesses are (n,), none of them silent; `told` is called after each look."""
        self._track, self._witnesses = track, tuple(witnesses)
        self._told = told
        self._frames = ShortTime.at(rate)
        self._half = max(round(HALF_S * rate / self._frames.hop), 1)
        bins = self._frames.bins
        self._leaks = np.zeros((len(self._witnesses), bins, TAPS), np.complex128)
        self._filters = np.zeros((bins, len(self._witnesses) * TAPS), np.complex128)
        self._track_floor = TRACK_FLOOR * self._mean_power(track) + TINY
        self._floors = [WITNESS_FLOOR * self._mean_power(one) + TINY for one in self._witnesses]

    def learn(self, drum: Values) -> None:
        """One round, with an estimate of the drum (n,)."""
        self._learn_leaks(drum)
        self._told()
        self._learn_filters()
        self._told()

    def predict(self) -> Values:
        """The bleed that the witnesses predict, (n,)."""
        out = np.zeros(len(self._track))
        for first, count in self._chunks():
            heard = self._hear(first, count)
            bleed = self._bleed(heard, count)
            left, power = _smooth(heard.own - bleed), _smooth(bleed)
            worth = power / (power + WRONG * left + TINY)
            worth *= power.sum(axis=0) / (power.sum(axis=0) + WRONG * left.sum(axis=0) + TINY)
            self._frames.add_back(worth * bleed[:, 1:-1], first, out)
        self._told()
        return out

    def _learn_leaks(self, drum: Values) -> None:
        """Filters from the track to the witnesses, of what is like the drum."""
        sums = [_Sums(self._frames.bins, TAPS) for _ in self._witnesses]
        for first, count in self._chunks():
            heard = self._hear(first, count)
            instrument = self._frames.spectra(drum, first - BEFORE, count + TAPS - 1)
            own = heard.wide[:, BEFORE + 1 :][:, : count + TAPS - 1]
            scale = np.abs(own * instrument)[:, BEFORE : BEFORE + count]
            half = self._half_of(first, count)
            for m, sum_ in enumerate(sums):
                clean = heard.clean[m][:, BEFORE:][:, : count + 2]
                weight = 1 / (_smooth(clean) + self._floors[m][:, None])
                witness = heard.witnesses[m][:, BEFORE + 1 :][:, :count]
                sum_.add(instrument[None], own[None], witness, weight, half, scale)
        self._leaks = np.stack([one.filters(DRUM_RIDGE) for one in sums])

    def _learn_filters(self) -> None:
        """Filters from the witnesses' bleed to the track's."""
        sums = _Sums(*self._filters.shape)
        for first, count in self._chunks():
            heard = self._hear(first, count)
            left = heard.own - self._bleed(heard, count)
            weight = 1 / (_smooth(left) + self._track_floor[:, None])
            witnesses = heard.witnesses[:, :, BEFORE + 1 :][:, :, :count]
            scale = (np.abs(witnesses) ** 2).mean(axis=0)
            clean = heard.clean[:, :, 1:-1]
            half = self._half_of(first, count)
            sums.add(clean, clean, heard.own[:, 1:-1], weight, half, scale)
        told = sums.power() > LEAST_LEFT * sums.scale.sum(axis=0)
        self._filters = sums.filters(BLEED_RIDGE) * told[:, None]

    def _half_of(self, first: int, count: int) -> NDArray[np.int64]:
        """Which half of the take, 0 or 1, each frame belongs to."""
        return (np.arange(first, first + count) // self._half) % 2

    def _hear(self, first: int, count: int) -> _Heard:
        """What the microphones hear in some frames, and what filters need around them."""
        span = count + 2 + TAPS - 1
        wide = self._frames.spectra(self._track, first - 1 - 2 * BEFORE, span + TAPS - 1)
        parts = [self._frames.spectra(x, first - 1 - BEFORE, span) for x in self._witnesses]
        witnesses = np.stack(parts)
        clean = witnesses.copy()
        for leak, one in zip(self._leaks, clean, strict=True):
            one -= _filtered(leak, wide, span)
        return _Heard(wide, wide[:, 2 * BEFORE :][:, : count + 2], witnesses, clean)

    def _bleed(self, heard: _Heard, count: int) -> Spectra:
        """Bleed predicted in a chunk of frames and one to either side, (bins, count + 2)."""
        taps = np.split(self._filters, len(heard.clean), axis=1)
        bleed = np.zeros((self._frames.bins, count + 2), np.complex128)
        for part, one in zip(taps, heard.clean, strict=True):
            bleed += _filtered(part, one, count + 2)
        return bleed

    def _mean_power(self, x: Values) -> Values:
        total = np.zeros(self._frames.bins)
        for first, count in self._chunks():
            total += (np.abs(self._frames.spectra(x, first, count)) ** 2).sum(axis=1)
        return total / self._frames.count(len(x))

    def _chunks(self) -> Iterator[tuple[int, int]]:
        frames = self._frames.count(len(self._track))
        for first in range(0, frames, CHUNK):
            yield first, min(CHUNK, frames - first)


@dataclass(frozen=True)
class _Heard:
    """Spectra of a chunk of frames, and of those around it that filters need.

    `own` (bins, count + 2) the track, one to either side; `witnesses` and `clean` (m, bins, count +
    TAPS + 1), the latter less the drum, BEFORE more ahead and AHEAD more behind; `wide` (bins,
    count + 2·TAPS) the track, as much more again.
    """

    wide: Spectra
    own: Spectra
    witnesses: Spectra
    clean: Spectra


def _filtered(taps: Spectra, x: Spectra, count: int) -> Spectra:
    """`taps` (bins, TAPS) over x (bins, count + TAPS − 1), (bins, count)."""
    out = np.empty((len(x), count), np.complex128)
    taps = np.ascontiguousarray(taps)

    def work(bins: slice) -> None:
        filter_frames(taps[bins], x[bins], out[bins])

    over_chunks(work, len(x), PART_BINS)
    return out


class _Sums:
    """Normal equations of filters in each bin, for two halves of a take."""

    def __init__(self, bins: int, size: int) -> None:
        self.matrix = np.zeros((2, 2, bins, size, size))  # half, part, …
        self.right = np.zeros((2, bins, size), np.complex128)
        self.scale = np.zeros((2, bins))

    def add(
        self,
        z: Spectra,
        x: Spectra,
        y: Spectra,
        weight: Values,
        half: NDArray[np.int64],
        scale: Values,
    ) -> None:
        """Add frames: see `add_products`; `scale` (bins, count) is the power a ridge refers to."""
        y = np.ascontiguousarray(y)
        parts = [np.ascontiguousarray(part) for one in (z, x) for part in (one.real, one.imag)]
        for k in range(2):
            mine = weight * (half == k)
            self.scale[k] += (mine * scale).sum(axis=1)

            def work(b: slice, k: int = k, mine: Values = mine) -> None:
                spectra = [part[:, b] for part in parts]
                sums = self.matrix[k, 0, b], self.matrix[k, 1, b], self.right[k, b]
                add_products(*spectra, y[b], mine[b], TAPS, *sums)

            over_chunks(work, len(y), PART_BINS)

    def power(self) -> Values:
        """Weighed power of a signal that is filtered, in the mean over all, (bins,)."""
        total = np.trace(self.matrix[:, 0].sum(axis=0), axis1=1, axis2=2)
        return np.asarray(total / self.right.shape[2])

    def filters(self, ridge: float) -> Spectra:
        """Filters (bins, size), as far as those of both halves agree."""
        matrix = self.matrix[:, 0] + 1j * self.matrix[:, 1]
        both, right, scale = (one.sum(axis=0) for one in (matrix, self.right, self.scale))
        halves = [_solved(matrix[k], self.right[k], ridge * self.scale[k]) for k in range(2)]
        return _solved(both, right, ridge * scale) * _agreement(both, halves)[:, None]


def _smooth(spectra: Spectra) -> Values:
    """Power (bins, count) as the mean over three bins and frames of spectra (bins, count + 2)."""
    power = np.abs(spectra) ** 2
    power = power[:, :-2] + power[:, 1:-1] + power[:, 2:]
    power = np.concatenate([power[:1], power, power[-1:]])
    return np.asarray((power[:-2] + power[1:-1] + power[2:]) / 9)


def _solved(matrix: Spectra, right: Spectra, ridge: Values) -> Spectra:
    """Solve for each bin; what is under the ridge (bins,) counts for nothing."""
    size = matrix.shape[1]
    firm = matrix + (ridge + TINY)[:, None, None] * np.eye(size)
    return np.asarray(np.linalg.solve(firm, right[..., None])[..., 0])


def _agreement(matrix: Spectra, halves: Sequence[Spectra]) -> Values:
    """How much of what both halves predict together is no chance, 0 … 1, (bins,)."""
    scale = np.abs(np.trace(matrix, axis1=1, axis2=2)) + TINY

    def power(u: Spectra, v: Spectra) -> Values:
        inner = (u.conj() * (matrix * v[:, None, :]).sum(axis=2)).sum(axis=1).real
        return np.asarray(uniform_filter1d(inner / scale, AGREE_BINS))

    shared = power(halves[0], halves[1])
    mean = (power(halves[0], halves[0]) + power(halves[1], halves[1]) + 2 * shared) / 4
    return np.clip(shared / np.maximum(mean, TINY), 0.0, 1.0)
