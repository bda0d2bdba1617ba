# SPDX-License-Identifier: GPL-3.0-or-later
"""What a step listens to: the strokes or the sound that its `key` names."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.curves import BLOCK
from dsp.filters import Section, stack
from dsp.hits.hitmap import HitMap, Positions, Values
from dsp.kernels.envelope import peaks_between, spans_above
from dsp.kernels.zero_phase import forward_backward
from dsp.steps.base import Scene
from dsp.take import Samples
from dsp.threads import over_chunks

Sound = Samples | NDArray[np.float32]

BRIDGE_MS = 5.0  # two half-cycles of a low drum (100 Hz) are not further apart than this
# The envelope of a key falls by 4.3 dB a millisecond: faster than any drum, and slow enough that
# a little more or less of a single peak moves the end of a stroke by a little only.
FALL_MS = 2.0
WINDOW_MS = 50.0  # bleed is measured in pieces of this length


def strokes_of(scene: Scene, key: str) -> HitMap:
    """The strokes that `key` stands for: the track's key, its own, or another track's."""
    if key == "hits":
        return scene.hits
    return scene.hits_of(scene.track if key == "own" else key)


def sound_of(scene: Scene, key: str) -> Samples:
    """The sound that `key` stands for; `hits` and `own` are this track as it reaches the step."""
    return scene.audio if key in {"hits", "own"} else scene.raw(key)


def filtered(sound: Samples, rate: int, sections: Sequence[Section]) -> Sound:
    """The sound through `sections`, each run both ways so that nothing moves in time.

    Without sections, the sound itself. Otherwise the largest magnitude over the channels,
    float32 (frames, 1): a key is only compared with thresholds.
    """
    if not sections:
        return sound
    stacked = [stack([section]) for section in sections]
    margin = sum(reach for _, _, reach in stacked)
    out = np.empty((len(sound), 1), np.float32)

    def run(block: slice) -> None:
        first, stop = block.start, block.stop
        around = sound[max(0, first - margin) : stop + margin]
        silence = (max(0, margin - first), max(0, stop + margin - len(sound)))
        level = np.zeros(stop - first)
        for channel in range(sound.shape[1]):
            x = np.pad(around[:, channel], silence)
            for b, a, _ in stacked:
                band = np.empty((1, len(x)))
                forward_backward(x, b, a, band)
                x = band[0]
            np.maximum(level, np.abs(x[margin : margin + len(level)]), out=level)
        out[block, 0] = level

    over_chunks(run, len(sound), BLOCK)
    return out


def amplitude(db: float) -> float:
    """Full-scale amplitude of a level in dBFS."""
    return float(10.0 ** (db / 20.0))


def peaks_dbfs(sound: Sound, starts: Positions, stops: Positions) -> Values:
    """Highest sample peak in dBFS of each span; −inf for spans that are empty or silent."""
    first, last = (np.clip(edge, 0, len(sound)).astype(np.int64) for edge in (starts, stops))
    peaks = np.empty(len(starts))
    peaks_between(sound, first, last, peaks)
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(peaks))


def bleed_peaks_dbfs(sound: Sound, hits: HitMap) -> Values:
    """Sample peaks in dBFS of what lies between the strokes, one for each whole WINDOW_MS."""
    window = round(WINDOW_MS * hits.rate / 1000)
    begins = np.append(0, hits.end)
    counts = np.maximum(np.append(hits.onset, len(sound)) - begins, 0) // window
    number = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    starts = np.repeat(begins, counts) + number * window
    return peaks_dbfs(sound, starts, starts + window)


def fall_of(rate: int) -> float:
    """Factor per sample by which the envelope of a key falls; FALL_MS is its time constant."""
    return math.exp(-1000.0 / (FALL_MS * rate))


def spans_heard(
    sound: Sound, rate: int, open_at: float, close_at: float, hold_ms: float = 0.0
) -> tuple[Positions, Positions]:
    """Where the key's envelope has reached `open_at` and since then kept to `close_at` (dBFS).

    It is over `hold_ms` after it last was at `close_at` or above. Less than BRIDGE_MS under
    it is not over, so that half-cycles of the drum stay together. Returns first samples and ends
    (exclusive), each (m,); ends may lie past the take.
    """
    hold = round(hold_ms * rate / 1000)
    bridge = max(hold, round(BRIDGE_MS * rate / 1000))
    low, high = amplitude(close_at), amplitude(open_at)
    room, count = 0, 4096
    while count > room:
        room = count
        starts, stops = np.empty(room, np.int64), np.empty(room, np.int64)
        count = spans_above(sound, high, low, fall_of(rate), bridge, starts, stops)
    return starts[:count], stops[:count] + hold
