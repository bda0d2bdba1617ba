# SPDX-License-Identifier: GPL-3.0-or-later
"""Gain curves as the page draws them: few enough points, and no gain move lost."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.curves import GainCurve, ShapedBands, SplitBands
from dsp.lanes.data import Lane

COLUMNS = 8_000  # of a lane, divided by its bands: far more than a screen has pixels
STEP_DB = 0.01  # gains are stored in whole steps of this


def lane_data(lane: Lane, start: int, stop: int) -> dict[str, Any]:
    """A lane between two samples of the take; `at` counts from `start`.

    `at` and `db` are base64 of little-endian int32 (points,) and int16 (points, bands), the
    latter in steps of 0.01 dB.
    """
    at, db = thinned(*window(lane.curve, start, stop), start, stop)
    layout = lane.curve.layout
    data: dict[str, Any] = {
        "name": lane.name,
        "summary": lane.summary,
        "bands": list(layout.names),
        "at": packed(at - start, "<i4"),
        "db": packed(np.clip(np.rint(db / STEP_DB), -32768, 32767), "<i2"),
    }
    if isinstance(layout, SplitBands):
        data["crossovers_hz"] = list(layout.crossovers_hz)
    if isinstance(layout, ShapedBands):
        data["shapes"] = [{"shape": b.shape, "at_hz": b.at_hz} for b in layout.bands]
    return data


def window(
    curve: GainCurve, start: int, stop: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The points of a curve from `start` to `stop` (inclusive), with one at either end."""
    ends = np.array([start, stop])
    inside = (curve.at > start) & (curve.at < stop)
    at = np.concatenate([ends[:1], curve.at[inside], ends[1:]])
    edge = curve.db_at(ends)
    return at, np.concatenate([edge[:1], curve.db[inside], edge[1:]])


def thinned(
    at: NDArray[np.int64], db: NDArray[np.float64], start: int, stop: int, columns: int = COLUMNS
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The points themselves where they are few; else, of each even column of time, the outermost.

    A column keeps its first and last point and, for every band, its lowest and its highest, all at
    their own samples. So every extreme is shown, where it is, and between two kept points nothing
    goes further than they do by more than the column's own points did.
    """
    columns = max(1, columns // db.shape[1])
    if len(at) <= 2 * columns:
        return at, db
    column = (at - start) * columns // (stop - start)
    first = np.flatnonzero(np.diff(column, prepend=-1))
    last = np.append(first[1:], len(at)) - 1
    group = np.repeat(np.arange(len(first)), last - first + 1)
    kept = [first, last]
    for band in db.T:
        order = np.lexsort((band, group))  # by column, then from low to high
        kept += [order[first], order[last]]
    index = np.unique(np.concatenate(kept))
    return at[index], db[index]


def packed(values: NDArray[Any], kind: str) -> str:
    """Base64 of the values as one kind of number."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")
