# SPDX-License-Identifier: GPL-3.0-or-later
"""How loud a stretch of sound is: gated loudness, and level over the strokes.

Decisions:

- Gated loudness is ITU-R BS.1770's, by pyloudnorm. Of its filters we take the one that reproduces
  the Recommendation's table at 48 kHz (its name there is "DeMan"): it reads a full-scale 997 Hz
  tone as −3.010 LKFS, the library's default one as −3.052.
- It measures the blocks, once; the gates are applied here, so that a gain needs no new measuring.
- Mono and stereo count as in front of the listener; channels four and five, as BS.1770 has it,
  as surrounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.take import Samples

Values = NDArray[np.float64]

BLOCK_S, STEP_S = 0.4, 0.1
ABSOLUTE_GATE, RELATIVE_GATE = -70.0, -10.0
STROKE_S = 0.2  # a stroke's body, for its level


@dataclass(frozen=True, eq=False)
class Loudness:
    """Loudness of a sound's blocks in LUFS, before any gate; −inf for silence.

    A block lasts 400 ms and starts 100 ms after the one before it.
    """

    each: Values

    @property
    def lufs(self) -> float | None:
        """Gated loudness in LUFS, None where the gates leave nothing."""
        left = self._left()
        return _mean(left) if len(left) else None

    @property
    def blocks(self) -> int:
        """How many blocks the gates leave."""
        return len(self._left())

    def with_gain(self, gain_db: float) -> Loudness:
        """Loudness of the same sound after a gain: gates are absolute, so it may gain or lose."""
        return Loudness(self.each + gain_db)

    def _left(self) -> Values:
        sounding = self.each[self.each >= ABSOLUTE_GATE]
        return sounding[sounding > _mean(sounding) + RELATIVE_GATE] if len(sounding) else sounding


def loudness(samples: Samples, rate: int) -> Loudness:
    """Loudness of samples (frames, at most 5 channels), `rate` in hertz."""
    import pyloudnorm

    if len(samples) < math.ceil(BLOCK_S * rate):
        return Loudness(np.zeros(0))
    meter = pyloudnorm.Meter(rate, filter_class="DeMan", block_size=BLOCK_S)
    meter.integrated_loudness(samples)
    return Loudness(np.array(meter.blockwise_loudness))


def _mean(levels: Values) -> float:
    return 10 * math.log10(float((10 ** (levels / 10)).mean()))


def stroke_level_db(samples: Samples, hits: HitMap, start: int) -> float | None:
    """RMS level over the strokes of a stretch, dB: from each onset, at most 200 ms of it.

    `start` is the stretch's first sample within the take that `hits` counts in. Channels add, as
    they do in loudness. None where there are no strokes or only silence.
    """
    longest = round(STROKE_S * hits.rate)
    energy, count = 0.0, 0
    for onset, end in zip(hits.onset - start, hits.end - start, strict=True):
        part = samples[max(onset, 0) : max(min(end, onset + longest), 0)]
        energy += float(np.einsum("ij,ij->", part, part))
        count += len(part)
    return 10 * math.log10(energy / count) if energy > 0 else None


def level_db(samples: Samples) -> float | None:
    """RMS level of samples (frames, channels), channels added, dB; None for silence."""
    power = float(np.einsum("ij,ij->", samples, samples)) / len(samples)
    return 10 * math.log10(power) if power > 0 else None
