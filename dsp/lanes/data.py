# SPDX-License-Identifier: GPL-3.0-or-later
"""What the picture is drawn from, reduced to one value a pixel column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.curves import GainCurve
from dsp.errors import UsageError
from dsp.hits.hitmap import HitMap
from dsp.take import Samples

Values = NDArray[np.float64]

PLOT_COLUMNS = 1140  # pixels between the left and the right end of every lane
PEAK_COLUMNS = 8 * PLOT_COLUMNS  # finer than pixels, so that gaps between strokes stay visible
HOLD_S = 0.01  # peaks are held this long for a level, so that a wave's zeros are no gaps
QUIET_PERCENT = 10.0


@dataclass(frozen=True)
class WavePeaks:
    """Lowest and highest sample of each column, over all channels.

    Columns divide the samples `start` to `stop` (exclusive) evenly; `low` and `high` are float64,
    full scale at ±1. There are no more columns than samples.
    """

    start: int
    stop: int
    low: Values
    high: Values

    @property
    def peak(self) -> float:
        """The largest magnitude."""
        return float(max(-self.low.min(), self.high.max()))

    def fitted(self, columns: int) -> WavePeaks:
        """The same in exactly this many columns; samples that are wider than one are repeated."""
        if len(self.low) < columns:
            held = stretched(len(self.low), columns)
            return WavePeaks(self.start, self.stop, self.low[held], self.high[held])
        first = np.arange(columns) * len(self.low) // columns
        low, high = np.minimum.reduceat(self.low, first), np.maximum.reduceat(self.high, first)
        return WavePeaks(self.start, self.stop, low, high)

    def levels(self, rate: int, columns: int) -> tuple[Values, Values]:
        """Peak level and quiet level (dBFS) in exactly this many columns.

        The magnitude is held over `HOLD_S`; the quiet level is the level that it stays under for
        a tenth of the column. Digital silence is −240 dBFS.
        """
        magnitude = np.maximum(np.abs(self.low), np.abs(self.high))
        span = round(HOLD_S * rate * len(magnitude) / (self.stop - self.start))
        around = min(span // 2, len(magnitude))
        padded = np.pad(magnitude, around, mode="edge")
        held = np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1).max(axis=1)
        level = 20 * np.log10(np.maximum(held, 1e-12))
        if len(level) < columns:
            level = level[stretched(len(level), columns)]
        edges = np.arange(columns + 1) * len(level) // columns
        quiet = np.empty(columns)
        sizes = np.diff(edges)
        for size in np.unique(sizes):
            alike = sizes == size
            inside = edges[:-1][alike][:, None] + np.arange(size)
            quiet[alike] = np.percentile(level[inside], QUIET_PERCENT, axis=1)
        return np.maximum.reduceat(level, edges[:-1]), quiet


def stretched(count: int, columns: int) -> NDArray[np.int64]:
    """Which of `count` values each of `columns` columns shows."""
    return np.arange(columns) * count // columns


def wave_peaks(samples: Samples, start: int, stop: int, columns: int = PEAK_COLUMNS) -> WavePeaks:
    """Extremes of samples (frames, channels) between two positions, without copying the audio.

    Raises `UsageError` where the range holds no sample of the take.
    """
    if not 0 <= start < stop <= len(samples) or columns < 1:
        raise UsageError(
            f"waveform: found samples {start} to {stop} in {columns} columns; accepted: "
            f"a range within 0 to {len(samples)}, at least one column"
        )
    count = min(columns, stop - start)
    first = np.arange(count) * (stop - start) // count
    part = samples[start:stop]
    low = np.minimum.reduceat(part[:, 0], first)
    high = np.maximum.reduceat(part[:, 0], first)
    for channel in range(1, part.shape[1]):
        low = np.minimum(low, np.minimum.reduceat(part[:, channel], first))
        high = np.maximum(high, np.maximum.reduceat(part[:, channel], first))
    return WavePeaks(start, stop, low, high)


@dataclass(frozen=True)
class Lane:
    """One step: its name, its main settings in brief (plain text), and what it decided.

    Without a `number`, it is numbered by its place among the lanes.
    """

    name: str
    summary: str
    curve: GainCurve
    number: str = ""


@dataclass(frozen=True)
class LanesData:
    """Everything the picture of one track shows.

    `before` and `after` cover the samples from `start_s` to `stop_s` (seconds from the start of
    the take), which is the part that is drawn. `key` is the track on which the strokes were found;
    `bleed_dbfs` the level between them on this one as it was recorded, None where unknown;
    `came_from` says what the input is.
    """

    track: str
    about: str
    rate: int
    frames: int
    before: WavePeaks
    after: WavePeaks
    hits: HitMap
    lanes: tuple[Lane, ...]
    start_s: float
    stop_s: float
    key: str
    bleed_dbfs: float | None
    came_from: str = "waveform as it was recorded"

    def __post_init__(self) -> None:
        if not 0 <= self.start_s < self.stop_s:
            raise UsageError(
                f"picture of {self.track}: found {self.start_s} s to {self.stop_s} s; "
                f"accepted: a range within 0 to {self.frames / self.rate} s"
            )


@dataclass(frozen=True)
class CurveColumns:
    """A gain curve reduced to columns: lowest, highest and average dB, each (columns, bands)."""

    low: Values
    high: Values
    mean: Values


def curve_columns(curve: GainCurve, start: float, stop: float, columns: int) -> CurveColumns:
    """Exact extremes and averages of a curve in even columns between two sample positions.

    The curve is linear between its points, so its extremes lie at points or at the edges of a
    column, and its average is a sum of trapezoids.
    """
    edges = start + (stop - start) * np.arange(columns + 1) / columns
    inside = slice(*np.searchsorted(curve.at, [edges[0], edges[-1]]))
    at = curve.at[inside]
    edge_index = np.searchsorted(at, edges) + np.arange(columns + 1)
    is_point = np.ones(len(at) + columns + 1, dtype=bool)
    is_point[edge_index] = False
    position = np.empty(len(is_point))
    position[is_point], position[edge_index] = at, edges
    lengths = np.diff(position) / 2
    shape = (columns, curve.db.shape[1])
    low, high, mean = np.empty(shape), np.empty(shape), np.empty(shape)
    value = np.empty(len(is_point))
    for band in range(shape[1]):
        value[is_point] = curve.db[inside, band]
        value[edge_index] = np.interp(edges, curve.at, curve.db[:, band])
        first, right = edge_index[:-1], value[edge_index[1:]]
        low[:, band] = np.minimum(np.minimum.reduceat(value, first)[:columns], right)
        high[:, band] = np.maximum(np.maximum.reduceat(value, first)[:columns], right)
        area = np.add.reduceat((value[:-1] + value[1:]) * lengths, first)
        mean[:, band] = np.clip(area / np.diff(edges), low[:, band], high[:, band])
    return CurveColumns(low, high, mean)
