# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures of a track before and after its treatment, taken at the same strokes and gaps.

Whatever cannot be measured is None, and `notes` says why; nothing is NaN or infinite, so the
measures go into JSON as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.ringing import RingMeasure, measure_rings
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

GUARD_S = 0.005  # before an onset: a stroke's rise and the bleed's pre-echo belong to no gap
GAP_WINDOW_S = 0.02
STROKE_S = 0.08  # a stroke's peak lies within this from its onset
FULL_SCALE = 1 - 2.0**-15  # the highest code of a 16-bit file


@dataclass(frozen=True)
class Measures:
    """One track at one moment of its treatment.

    `bleed_rms_dbfs`     RMS of all gaps together, over all channels (a full-scale square is 0)
    `bleed_peak_dbfs`    sample peak of 20 ms windows of the gaps, median
    `spread_db`          standard deviation of the full strokes' peak levels
    `spread_90_db`       distance from the 5th to the 95th percentile of the same
    `typical_dbfs`       median of the full strokes' peak levels
    `ghost_distance_db`  how far the median ghost's peak lies below `typical_dbfs`
    `rings`              one entry for each ring of the hit map
    `peak_dbfs`          highest sample peak; `clipped` samples at full scale or above
    """

    hits: int
    ghosts: int
    bleed_rms_dbfs: float | None
    bleed_peak_dbfs: float | None
    spread_db: float | None
    spread_90_db: float | None
    typical_dbfs: float | None
    ghost_distance_db: float | None
    rings: tuple[RingMeasure, ...]
    peak_dbfs: float | None
    clipped: int
    notes: tuple[str, ...] = ()


def measure(samples: Samples, hits: HitMap) -> Measures:
    """Measure samples (frames, channels) at the strokes and in the gaps of `hits`."""
    highest, clipped = _highest(samples)
    rms, window_peak, notes = _bleed(samples, hits)
    full, ghosts = (
        stroke_peaks(samples, hits, ~hits.ghost),
        stroke_peaks(samples, hits, hits.ghost),
    )
    level = _Levels.of(full, ghosts)
    rings, ring_notes = measure_rings(samples, hits)
    return Measures(
        hits=len(hits),
        ghosts=int(hits.ghost.sum()),
        bleed_rms_dbfs=rms,
        bleed_peak_dbfs=window_peak,
        spread_db=level.spread,
        spread_90_db=level.spread_90,
        typical_dbfs=level.typical,
        ghost_distance_db=level.ghost_distance,
        rings=rings,
        peak_dbfs=decibels(highest),
        clipped=clipped,
        notes=(*notes, *level.notes, *ring_notes),
    )


def decibels(amplitude: float) -> float | None:
    """20·lg; None for digital silence."""
    return 20 * math.log10(amplitude) if amplitude > 0 else None


def _highest(samples: Samples) -> tuple[float, int]:
    highest = float(max(samples.max(), -samples.min()))
    if highest < FULL_SCALE:
        return highest, 0
    over = np.count_nonzero(samples >= FULL_SCALE) + np.count_nonzero(samples <= -FULL_SCALE)
    return highest, int(over)


def gaps(hits: HitMap) -> tuple[Positions, Positions]:
    """Starts and stops (exclusive) of what lies between strokes, at least 20 ms each.

    A track without strokes is one gap.
    """
    starts = np.concatenate([[0], np.maximum.accumulate(hits.end)]).astype(np.int64)
    stops = np.concatenate([hits.onset - round(GUARD_S * hits.rate), [hits.frames]])
    long_enough = stops - starts >= GAP_WINDOW_S * hits.rate
    return starts[long_enough], stops[long_enough].astype(np.int64)


def _bleed(samples: Samples, hits: HitMap) -> tuple[float | None, float | None, list[str]]:
    starts, stops = gaps(hits)
    if len(starts) == 0:
        if len(hits) == 0:
            return None, None, ["bleed not measured: the track is shorter than 20 ms"]
        return None, None, ["bleed not measured: the strokes leave no gap of 20 ms"]
    window = round(GAP_WINDOW_S * hits.rate)
    energy, peaks = 0.0, []
    for start, stop in zip(starts, stops, strict=True):
        part = samples[start:stop]
        energy += float(np.einsum("ij,ij->", part, part))  # no BLAS: its sums vary with its threads
        whole = part[: len(part) // window * window].reshape(-1, window * samples.shape[1])
        peaks.append(np.maximum(whole.max(axis=1), -whole.min(axis=1)))
    rms = decibels(math.sqrt(energy / (int((stops - starts).sum()) * samples.shape[1])))
    if rms is None:
        where = "between the strokes" if len(hits) else "in the whole track"
        return None, None, [f"{where} there is digital silence"]
    return rms, decibels(float(np.median(np.concatenate(peaks)))), []


def stroke_peaks(samples: Samples, hits: HitMap, which: NDArray[np.bool_]) -> Values:
    """Peak amplitude of each stroke that `which` chooses, over all channels."""
    starts = hits.onset[which]
    stops = np.minimum(hits.end[which], starts + round(STROKE_S * hits.rate))
    stops = np.maximum(stops, starts + 1)
    parts = [samples[start:stop] for start, stop in zip(starts, stops, strict=True)]
    return np.array([max(part.max(), -part.min()) for part in parts], dtype=float)


@dataclass(frozen=True)
class _Levels:
    """What the peaks of full strokes and ghosts tell."""

    typical: float | None = None
    spread: float | None = None
    spread_90: float | None = None
    ghost_distance: float | None = None
    notes: list[str] = field(default_factory=list)

    @staticmethod
    def of(full: Values, ghosts: Values) -> _Levels:
        """From peak amplitudes; silent strokes have no level and are left out."""
        silent = int((full == 0).sum() + (ghosts == 0).sum())
        notes = [f"strokes that are digital silence: {silent}"] if silent else []
        full_db, ghost_db = (20 * np.log10(peaks[peaks > 0]) for peaks in (full, ghosts))
        if len(full) == len(ghosts) == 0:
            return _Levels()
        if len(full_db) == 0:
            return _Levels(notes=[*notes, "level spread not measured: no full strokes"])
        typical = float(np.median(full_db))
        levels = _Levels(typical, notes=notes)
        if len(full_db) >= 2:
            low, high = np.percentile(full_db, [5, 95])
            levels = replace(levels, spread=float(full_db.std()), spread_90=float(high - low))
        else:
            notes.append("level spread not measured: it takes two full strokes")
        if len(ghost_db):
            levels = replace(levels, ghost_distance=typical - float(np.median(ghost_db)))
        return levels


@dataclass(frozen=True)
class RingChange:
    """One ring before and after; `down_db` and `shorter_s` are positive where there is less."""

    hz: float
    level_before_dbfs: float | None
    level_after_dbfs: float | None
    t60_before_s: float | None
    t60_after_s: float | None
    down_db: float | None
    shorter_s: float | None


@dataclass(frozen=True)
class Change:
    """What a treatment did. Differences are before minus after: positive where there is less."""

    before: Measures
    after: Measures
    bleed_down_db: float | None
    bleed_peak_down_db: float | None
    spread_less_db: float | None
    ghosts_closer_db: float | None
    typical_up_db: float | None
    rings: tuple[RingChange, ...]
    notes: tuple[str, ...]


def compare(before: Measures, after: Measures) -> Change:
    """Put two measures of one track, taken with one hit map, beside each other."""
    rings = tuple(
        RingChange(
            hz=a.hz,
            level_before_dbfs=a.level_dbfs,
            level_after_dbfs=b.level_dbfs,
            t60_before_s=a.t60_s,
            t60_after_s=b.t60_s,
            down_db=_less(a.level_dbfs, b.level_dbfs),
            shorter_s=_less(a.t60_s, b.t60_s),
        )
        for a, b in zip(before.rings, after.rings, strict=True)
    )
    both = [note for note in before.notes if note in after.notes]
    own = [
        f"{when}: {note}"
        for when, notes in (("before", before.notes), ("after", after.notes))
        for note in notes
        if note not in both
    ]
    return Change(
        before=before,
        after=after,
        bleed_down_db=_less(before.bleed_rms_dbfs, after.bleed_rms_dbfs),
        bleed_peak_down_db=_less(before.bleed_peak_dbfs, after.bleed_peak_dbfs),
        spread_less_db=_less(before.spread_db, after.spread_db),
        ghosts_closer_db=_less(before.ghost_distance_db, after.ghost_distance_db),
        typical_up_db=_less(after.typical_dbfs, before.typical_dbfs),
        rings=rings,
        notes=(*both, *own),
    )


def _less(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else before - after
