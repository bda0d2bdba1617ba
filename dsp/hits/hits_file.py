# SPDX-License-Identifier: GPL-3.0-or-later
"""The hits file: strokes as a table that people can edit, and hand in instead of finding them.

Decisions:

- One row a stroke: `sample` or `time_s` says where it arrives, and must be there. `velocity` and
  `ghost` are taken as they stand; where they are empty they are measured. `peak_dbfs` is there to
  be read: it is a fact of the audio and always measured.
- A row whose sample and time disagree is refused: whoever edited one of them meant something.
- Rows may stand in any order.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.tables import Row, Table, number_within, read_table, whole_within

Positions = NDArray[np.int64]

COLUMNS = ("sample", "time_s", "peak_dbfs", "velocity", "ghost")
PLACES = ("sample", "time_s")
GHOST_WORDS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
UNKNOWN = -1  # velocity or ghost that the file leaves to be measured
TIME_WRITTEN_S = 1e-6
ABOUT = (
    "# Strokes of one drum, a row each. Delete rows, add rows, change cells.\n"
    "# sample: first sample of the stroke; or leave it empty and give time_s.\n"
    "# velocity (1 to 127) and ghost (yes, no): where empty, they are measured in the audio.\n"
    "# peak_dbfs is there to be read; it is always measured.\n"
)


@dataclass(frozen=True)
class GivenHits:
    """Strokes that a file gives.

    `onset` int64 (n,), strictly rising; `velocity` int64 (n,), 1 … 127 or UNKNOWN; `ghost` int64
    (n,), 1, 0 or UNKNOWN. `name` and `sha256` are those of the file.
    """

    onset: Positions
    velocity: Positions
    ghost: Positions
    name: str
    sha256: str

    def __len__(self) -> int:
        return len(self.onset)


def read_hits(path: Path, rate: int, frames: int) -> GivenHits:
    """Read a hits file for a take of `frames` frames at `rate` hertz.

    Raises `UsageError` where it cannot be read, `ListError` with all faults, by line and column.
    """
    table = read_table(path, COLUMNS, PLACES)
    strokes: dict[int, tuple[int, int]] = {}
    lines: dict[int, int] = {}
    for row in table.rows:
        velocity = table.value(row, "velocity", whole_within(1, 127))
        ghost = table.value(row, "ghost", _ghost)
        table.value(row, "peak_dbfs", number_within(-400, 100))
        at = _place(table, row, rate, frames)
        if at is None:
            continue
        if at in lines:
            table.fault(row, "sample", f"found {at}, the stroke of line {lines[at]}, twice")
            continue
        lines[at] = row.line
        strokes[at] = (
            UNKNOWN if velocity is None else velocity,
            UNKNOWN if ghost is None else int(ghost),
        )
    table.check()
    order = sorted(strokes)
    said = np.array([strokes[at] for at in order], dtype=np.int64).reshape(-1, 2)
    onset = np.array(order, dtype=np.int64)
    return GivenHits(onset, said[:, 0], said[:, 1], Path(path).name, table.sha256)


def _place(table: Table, row: Row, rate: int, frames: int) -> int | None:
    """The stroke's sample, from either column; None where a fault was noted."""
    faults = len(table.faults)
    last_s = (frames - 1) / rate
    sample = table.value(row, "sample", whole_within(0, frames - 1))
    time = table.value(row, "time_s", number_within(0, round(last_s, 6), "s"))
    if len(table.faults) > faults:
        return None
    if sample is None and time is None:
        table.fault(row, "sample", "found nothing; accepted: a sample, or else a time_s")
        return None
    if sample is None and time is not None:
        return min(round(time * rate), frames - 1)
    if sample is not None and time is not None:
        apart = abs(sample / rate - time)
        if apart > 1 / rate + TIME_WRITTEN_S:
            table.fault(
                row,
                "time_s",
                f"found {time:g} s, which is not sample {sample} ({sample / rate:.6f} s); "
                "accepted: either of the two alone, or both alike",
            )
            return None
    return sample


def _ghost(text: str) -> bool:
    try:
        return GHOST_WORDS[text.lower()]
    except KeyError:
        raise ValueError("yes or no") from None


def hits_bytes(hits: HitMap, velocity: Positions | None = None) -> bytes:
    """The hit map as a hits file; `velocity` (n,) instead of the hit map's own, where given."""
    out = io.StringIO()
    out.write(ABOUT)
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(COLUMNS)
    velocities = hits.velocity if velocity is None else velocity
    columns = (hits.onset, hits.time_s, hits.peak_dbfs, velocities, hits.ghost)
    for sample, time, peak, loudness, ghost in zip(*columns, strict=True):
        words = "yes" if ghost else "no"
        rows.writerow([int(sample), f"{time:.6f}", f"{peak:.2f}", int(loudness), words])
    return out.getvalue().encode()
