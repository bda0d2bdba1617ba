# SPDX-License-Identifier: GPL-3.0-or-later
"""How long each stroke sounds, and how loud the bleed is that it sinks into.

Each needs the other: bleed is what lies outside the strokes, a stroke ends where it meets the
bleed. The drum's own decay tells them apart: what is clearly louder than the last strokes can
still be is not the drum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import Energies
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

LONGEST_S, SHORTEST_S = 1.2, 0.06
FRAME_S = 0.0005
WINDOW_S = 0.020
GUARD_S = 0.005  # ahead of an onset: its own rise
CLEARLY_DB = 6.0


def learn_decay(energies: Energies, frames: Positions, gaps: Positions) -> Values:
    """The typical stroke's decay: dB per frame of half a millisecond below its loudest 10 ms.

    Mean of the logs over full strokes, each only as far as the next event (`gaps`, in frames);
    carried on at its own slope where no stroke is left alone for so long.
    """
    power = energies.power[:, :4].sum(axis=1)
    length = round(LONGEST_S / 0.0005)
    smooth = np.convolve(power, np.ones(20) / 20, mode="full")[19 : 19 + len(power)]
    total, count = np.zeros(length), np.zeros(length)
    for frame, gap in zip(frames, gaps, strict=True):
        stop = min(int(gap) - 20, length, len(smooth) - int(frame))
        if stop < 40:
            continue
        part = smooth[frame : frame + stop]
        total[:stop] += 10 * np.log10(part / max(part[:20].max(), 1e-300) + 1e-12)
        count[:stop] += 1
    known = int(np.argmin(count)) if (count == 0).any() else length
    if known < 60:
        return np.asarray(-200.0 * 0.0005 * np.arange(length))  # 60 dB in 0.3 s
    decay = np.minimum.accumulate(total[:known] / count[:known])
    half = known // 3
    slope = min((decay[-1] - decay[half]) / (known - 1 - half), -0.01)
    tail = decay[-1] + slope * np.arange(1, length - known + 1)
    return np.concatenate([decay, tail])


def find_ends(
    onset: Positions, above_bleed_db: Values, decay: Values, frames: int, rate: int
) -> Positions:
    """Sample at which each stroke has sunk to the bleed, or the next onset if that comes first."""
    lasting = np.searchsorted(-decay, np.maximum(above_bleed_db, 0.0)) * 0.0005
    span = np.clip(lasting, SHORTEST_S, LONGEST_S) * rate
    following = np.append(onset[1:], frames)
    return np.asarray(np.minimum(np.minimum(onset + span.astype(np.int64), following), frames))


def tell_bleed(
    samples: Samples, onset: Positions, level_dbfs: Values, decay: Values, rate: int
) -> tuple[float, Positions]:
    """Level of the bleed (dBFS, −inf for silence) and the end of each stroke.

    `level_dbfs` is each stroke's peak level with the bleed taken out, `decay` the drum's own. The
    level is the median sample peak in windows of 20 ms: first of those that are clearly louder
    than the drum can be there, which places the ends; then of all between the strokes.
    """
    size = max(round(WINDOW_S * rate), 1)
    peaks = _window_peaks(samples, size)
    drum = _expected(onset, level_dbfs, decay, len(peaks), size, rate)
    known = peaks[peaks > drum + CLEARLY_DB]
    first = float(np.median(known)) if len(known) else float(peaks.min())
    ends = find_ends(onset, level_dbfs - first, decay, len(samples), rate)
    gaps = _between(peaks, onset, ends, size, rate)
    bleed = float(np.median(gaps)) if len(gaps) else first
    return bleed, find_ends(onset, level_dbfs - bleed, decay, len(samples), rate)


def _window_peaks(samples: Samples, size: int) -> Values:
    """Sample peak in dBFS of each whole window, or of all where there is none."""
    whole = max(len(samples) // size, 1)
    windows = samples[: whole * size].reshape(whole, -1)
    peaks = np.maximum(windows.max(axis=1), -windows.min(axis=1))
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(peaks))


def _expected(
    onset: Positions, level_dbfs: Values, decay: Values, windows: int, size: int, rate: int
) -> Values:
    """What the drum alone can reach in each window, dBFS; infinite where a stroke begins."""
    drum = np.full(windows, -np.inf)
    length = len(decay) * FRAME_S * rate
    for at, level in zip(onset, level_dbfs, strict=True):
        first = int(at) // size + 1
        stop = min(int((at + length) // size), windows)
        since = (np.arange(first, stop) * size - at) / (FRAME_S * rate)
        drum[first:stop] = np.maximum(drum[first:stop], level + decay[since.astype(np.int64)])
    for place in (onset - round(GUARD_S * rate), onset):
        drum[np.clip(place // size, 0, windows - 1)] = np.inf
    return drum


def _between(peaks: Values, onset: Positions, ends: Positions, size: int, rate: int) -> Values:
    """Those windows' peaks in which no stroke sounds."""
    sounding = np.zeros(len(peaks) + 1, dtype=np.int64)
    guard = round(GUARD_S * rate)
    np.add.at(sounding, np.clip((onset - guard) // size, 0, len(peaks)), 1)
    np.add.at(sounding, np.clip(-(-ends // size), 0, len(peaks)), -1)
    return np.asarray(peaks[np.cumsum(sounding)[: len(peaks)] == 0])
