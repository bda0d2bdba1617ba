# SPDX-License-Identifier: GPL-3.0-or-later
"""How loud a stretch of sound is: gated loudness, and level over the strokes.

Decisions:

- Gated loudness is ITU-R BS.1770's, by pyloudnorm. Of its filters we take the one that reproduces
  the Recommendation's table at 48 kHz (its name there is "DeMan"): it reads a full-scale 997 Hz
  tone as −3.010 LKFS, the library's default one as −3.052.
- Mono and stereo count as in front of the listener; channels four and five, as BS.1770 has it,
  as surrounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.hits.hitmap import HitMap
from dsp.take import Samples

BLOCK_S, STEP_S = 0.4, 0.1
ABSOLUTE_GATE, RELATIVE_GATE = -70.0, -10.0
STROKE_S = 0.2  # a stroke's body, for its level


@dataclass(frozen=True)
class Loudness:
    """Gated loudness in LUFS, None for what the gates leave nothing of; `blocks` they leave.

    A block lasts 400 ms and starts 100 ms after the one before it.
    """

    lufs: float | None
    blocks: int


def loudness(samples: Samples, rate: int) -> Loudness:
    """Gated loudness of samples (frames, at most 5 channels), `rate` in hertz."""
    import pyloudnorm

    if len(samples) < math.ceil(BLOCK_S * rate):
        return Loudness(None, 0)
    meter = pyloudnorm.Meter(rate, filter_class="DeMan", block_size=BLOCK_S)
    lufs = float(meter.integrated_loudness(samples))
    blocks = np.array(meter.blockwise_loudness)
    sounding = blocks[blocks >= ABSOLUTE_GATE]
    if len(sounding) == 0 or not math.isfinite(lufs):
        return Loudness(None, 0)
    gate = 10 * math.log10(float((10 ** (sounding / 10)).mean())) + RELATIVE_GATE
    return Loudness(lufs, int((sounding > gate).sum()))


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
