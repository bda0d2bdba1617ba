# SPDX-License-Identifier: GPL-3.0-or-later
"""Delay and phase between tracks, heard on the strokes.

Phase is the angle of the cross-spectrum of both, summed over the full strokes and over the octave
around the drum's fundamental; and over fixed octaves, in which a filter may turn it elsewhere.

How a print lies to its raw track is heard on the beginnings of the strokes: the cross-spectrum is
divided by the root of its magnitude, so that the drum's few strong modes, which fit at every
period, do not outweigh the attack, and the inverse transform has its largest magnitude, whatever
the polarity, at the delay (generalized correlation: Knapp, Carter, IEEE Trans. ASSP 24(4), 1976;
from memory). How one microphone lies to another is a harder question: see `dsp.microphones`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.microphones import compare_microphones
from dsp.take import Samples

Spectrum = NDArray[np.complex128]

BEFORE_S = 0.005
ATTACK_S, STROKE_S = 0.04, 0.16  # a stroke's beginning, as late as a room may hear it; all of it
MOST_DELAY_S = 0.03  # ten metres between microphones
MOST_STROKES = 80
# What is not told apart from unchanged: a gain that moves within strokes turns nothing, but makes
# octaves that hold little of the drum read up to 5 degrees off.
SAME_MS, SAME_DEGREES = 0.01, 6.0
OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
USUAL_FUNDAMENTAL_HZ = 200.0  # where none was found; common practice, no source


@dataclass(frozen=True)
class Alignment:
    """How a track lies to a reference: delay in ms, positive is later; phases in degrees, ±180.

    The first phase is that around the fundamental, the others those of `OCTAVES_HZ`.
    """

    delay_ms: float
    phases: tuple[float, ...]

    @property
    def phase_degrees(self) -> float:
        """Phase in the octave around the fundamental."""
        return self.phases[0]

    def moved_by(self, own: Alignment, reference: Alignment) -> Alignment:
        """The same after the track and its reference have each been moved."""
        delay = self.delay_ms + own.delay_ms - reference.delay_ms
        phases = zip(self.phases, own.phases, reference.phases, strict=True)
        return Alignment(delay, tuple(wrapped(a + b - c) for a, b, c in phases))

    def same_as(self, other: Alignment) -> bool:
        """Whether both are equal as far as it can be told."""
        change = UNMOVED.moved_by(self, other)
        return abs(change.delay_ms) <= SAME_MS and abs(change.most_turned) <= SAME_DEGREES

    @property
    def most_turned(self) -> float:
        """The phase that is furthest from 0."""
        return max(self.phases, key=abs)


UNMOVED = Alignment(0.0, (0.0,) * (1 + len(OCTAVES_HZ)))


def wrapped(degrees: float) -> float:
    """The same angle from −180 (exclusive) to 180."""
    return 180.0 - (180.0 - degrees) % 360.0


def alignment(reference: Samples, track: Samples, hits: HitMap) -> Alignment | None:
    """How `track` lies to `reference`, both (frames, channels); channels are averaged.

    None where there are no strokes, or either is silent there.
    """
    attack, whole = (_cross(reference, track, hits, span) for span in (ATTACK_S, STROKE_S))
    if not np.abs(attack).any() or not np.abs(whole).any():
        return None
    return Alignment(1000 * _delay_s(attack, hits.rate), _phases(whole, hits))


def microphones(reference: Samples, track: Samples, hits: HitMap) -> tuple[Alignment | None, bool]:
    """How one raw microphone lies to another, and whether the strokes agree on it."""
    found = alignment(reference, track, hits)
    pair = compare_microphones(reference, track, hits)
    if found is None or pair.strokes == 0:
        return None, False
    return Alignment(1000 * pair.delay / hits.rate, found.phases), pair.sure


def _cross(reference: Samples, track: Samples, hits: HitMap, stroke_s: float) -> Spectrum:
    """Cross-spectrum, summed over strokes; its transform's length is a power of two."""
    before = round(BEFORE_S * hits.rate)
    span = before + round(stroke_s * hits.rate)
    length = 1 << (2 * span - 1).bit_length()
    chosen = np.flatnonzero(~hits.ghost) if (~hits.ghost).any() else np.arange(len(hits))
    cross = np.zeros(length // 2 + 1, dtype=complex)
    for onset in hits.onset[chosen[:: max(1, math.ceil(len(chosen) / MOST_STROKES))]]:
        start = max(int(onset) - before, 0)
        pair = [each[start : start + span].mean(axis=1) for each in (reference, track)]
        first, second = (np.fft.rfft(each, length) for each in pair)
        cross += first.conj() * second
    return cross


def _delay_s(cross: Spectrum, rate: int) -> float:
    """Where the correlation has its largest magnitude, between samples by a parabola."""
    magnitude = np.abs(cross)
    flatter = cross / np.sqrt(np.maximum(magnitude, 1e-12 * magnitude.max()))
    most = round(MOST_DELAY_S * rate)
    around = np.roll(np.abs(np.fft.irfft(flatter)), most + 1)[: 2 * most + 3]
    best = 1 + int(np.argmax(around[1:-1]))
    left, middle, right = around[best - 1 : best + 2]
    bend = left - 2 * middle + right
    offset = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(best - most - 1 + offset) / rate


def _phases(cross: Spectrum, hits: HitMap) -> tuple[float, ...]:
    found = hits.fundamental_hz
    fundamental = found if math.isfinite(found) else USUAL_FUNDAMENTAL_HZ
    hz = np.arange(len(cross)) * hits.rate / (2 * (len(cross) - 1))
    bands = [(hz >= c / 2**0.5) & (hz < c * 2**0.5) for c in (fundamental, *OCTAVES_HZ)]
    return tuple(wrapped(math.degrees(float(np.angle(cross[band].sum())))) for band in bands)
