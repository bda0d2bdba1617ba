# SPDX-License-Identifier: GPL-3.0-or-later
"""The gain curve: what a step decided, in decibels over time, for one or more bands.

A curve is a list of points in time with one gain per band; between points gains run linearly in
dB, before the first and after the last they are constant. Applying a curve is the same code for
every step, y = x + Σ_k (g_k − 1)·band_k(x), with bands that have no phase shift, so that the
microphones of one take keep their phase. Where all gains are 0 dB the output is the input, bit
for bit.
"""

from __future__ import annotations

import itertools
import os
import zipfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.filters import Section, Shape, low_pass, shaped_section, stack
from dsp.kernels.gain import ANCHOR, add_band_differences, mix_splits
from dsp.kernels.zero_phase import forward_backward
from dsp.take import Samples

BLOCK = 64 * ANCHOR  # fixed, counted from the start of the take; results do not depend on it
WAVE = 8  # blocks in flight at once: bounds the memory, not the result


@dataclass(frozen=True)
class FullBand:
    """One gain on everything."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the bands, low to high."""
        return ("all",)

    def sections(self, rate: float) -> list[Section]:
        """Filters that the bands are made of."""
        return []


@dataclass(frozen=True)
class ShapedBand:
    """A bell or shelf; `gain_db` is the largest gain asked of it, for which its width holds."""

    name: str
    shape: Shape
    at_hz: float
    width_oct: float
    gain_db: float


@dataclass(frozen=True)
class ShapedBands:
    """Bells and shelves, each with its own gain; they may overlap, and add."""

    bands: tuple[ShapedBand, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the bands, in the order of the recipe."""
        return tuple(band.name for band in self.bands)

    def sections(self, rate: float) -> list[Section]:
        """One section a band."""
        return [shaped_section(b.shape, b.at_hz, b.width_oct, b.gain_db, rate) for b in self.bands]


@dataclass(frozen=True)
class SplitBands:
    """The whole spectrum split at `crossovers_hz` (rising); the bands sum to the input."""

    crossovers_hz: tuple[float, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the bands by their edges, low to high."""
        edges = [f"{hz:.0f} Hz" for hz in self.crossovers_hz]
        inner = [f"{low} to {high}" for low, high in itertools.pairwise(edges)]
        return (f"below {edges[0]}", *inner, f"above {edges[-1]}")

    def sections(self, rate: float) -> list[Section]:
        """One Butterworth low-pass a crossover; run both ways it is Linkwitz-Riley."""
        return [low_pass(hz, rate) for hz in self.crossovers_hz]


Layout = FullBand | ShapedBands | SplitBands


@dataclass(frozen=True)
class GainCurve:
    """Gains in dB over time.

    `at` int64 (points,), sample positions, strictly rising; `db` float64 (points, bands), in the
    order of `layout.names`; `frames` length of the take, `rate` in hertz.
    """

    rate: int
    frames: int
    at: NDArray[np.int64]
    db: NDArray[np.float64]
    layout: Layout = field(default_factory=FullBand)

    def __post_init__(self) -> None:
        shape = (len(self.at), len(self.layout.names))
        if self.db.shape != shape or len(self.at) == 0:
            raise ValueError(f"gain curve: db has shape {self.db.shape}; accepted: {shape}")
        if len(self.at) > 1 and np.diff(self.at).min() <= 0:
            raise ValueError("gain curve: positions must rise strictly")
        if not np.isfinite(self.db).all():
            raise ValueError("gain curve: gains must be finite")

    @property
    def neutral(self) -> bool:
        """Whether every gain is 0 dB."""
        return not self.db.any()

    def db_at(self, positions: NDArray[np.int64]) -> NDArray[np.float64]:
        """Gains in dB at sample positions (n,); returns (n, bands)."""
        columns = [np.interp(positions, self.at, column) for column in self.db.T]
        return np.stack(columns, axis=1)

    def save_arrays(self) -> dict[str, Any]:
        """Arrays for the curves file: positions, gains and names of the bands."""
        return {
            "at": self.at,
            "db": self.db.astype(np.float32),
            "bands": np.array(self.layout.names),
        }


def flat(rate: int, frames: int, db: float = 0.0) -> GainCurve:
    """One gain for the whole take."""
    return GainCurve(rate, frames, np.array([0]), np.array([[float(db)]]))


def apply_curve(samples: Samples, curve: GainCurve) -> None:
    """Multiply the audio by the curve, in place; samples (frames, channels), float64.

    Channels move together. A neutral curve leaves every bit as it was. Before and after the take
    there is silence.
    """
    if curve.neutral:
        return
    sections = curve.layout.sections(curve.rate)
    b, a, margin = stack(sections) if sections else (np.zeros((3, 0)), np.zeros((2, 0)), 0)
    worker = _Worker(curve, b, a, margin)
    before = np.zeros((margin, samples.shape[1]))
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for start in range(0, len(samples), WAVE * BLOCK):
            stop = min(start + WAVE * BLOCK, len(samples))
            wave = samples[start:stop]
            if margin:  # a block's neighbours as they were
                beyond = np.zeros((max(0, stop + margin - len(samples)), samples.shape[1]))
                wave = np.concatenate([before, samples[start : stop + margin], beyond])
                before = wave[stop - start : stop - start + margin].copy()
            jobs = [
                (wave, start, first, samples[first : min(first + BLOCK, stop)])
                for first in range(start, stop, BLOCK)
            ]
            list(pool.map(worker.run, jobs))


@dataclass(frozen=True)
class _Worker:
    """Applies a curve to one block; knows nothing of the other blocks."""

    curve: GainCurve
    b: NDArray[np.float64]
    a: NDArray[np.float64]
    margin: int

    def run(self, job: tuple[Samples, int, int, Samples]) -> None:
        wave, wave_start, first, target = job
        at, db, b, margin = self.curve.at, self.curve.db, self.b, self.margin
        bearing = self._bearing(first, len(target))
        shaped = isinstance(self.curve.layout, ShapedBands)
        if shaped and not bearing.any():
            return
        offset = first - wave_start  # the block's audio starts here + margin
        around = wave[offset : offset + len(target) + 2 * margin]
        if not shaped and (bearing == bearing[:, :1]).all():  # one gain, and no filters
            around, margin = around[margin : margin + len(target)], 0
            b, db = b[:, :0], np.ascontiguousarray(db[:, :1])
        mix = add_band_differences if shaped else mix_splits
        bands, result = np.empty((b.shape[1], len(around))), np.empty(len(target))
        for channel in range(target.shape[1]):
            x = np.ascontiguousarray(around[:, channel])
            forward_backward(x, b, self.a, bands)
            mix(x, bands, margin, at, db, first, result)
            target[:, channel] = result

    def _bearing(self, first: int, count: int) -> NDArray[np.float64]:
        """Gains in dB of the points that bear on these samples, (points, bands)."""
        at, db = self.curve.at, self.curve.db
        low = max(int(np.searchsorted(at, first, "right")) - 1, 0)
        high = int(np.searchsorted(at, first + count - 1, "left")) + 1
        return db[low:high]


def save_curves(path: Path, curves: dict[str, GainCurve]) -> None:
    """Write named curves to an NPZ file: `NAME.at`, `NAME.db`, `NAME.bands` and `rate`."""
    arrays: dict[str, Any] = {}
    for name, curve in curves.items():
        arrays["rate"] = np.array(curve.rate)
        arrays |= {f"{name}.{key}": value for key, value in curve.save_arrays().items()}
    pack_arrays(path, arrays)


def pack_arrays(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write arrays by name as an npz file; the same arrays give the same bytes."""
    # numpy's own writer packs at level 6: three times as long for a tenth less.
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, array in arrays.items():
            entry = zipfile.ZipInfo(f"{name}.npy")  # dated 1980: the same bytes every time
            entry.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(entry, "w", force_zip64=True) as file:
                np.lib.format.write_array(file, np.asarray(array), allow_pickle=False)
