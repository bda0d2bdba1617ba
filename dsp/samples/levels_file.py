# SPDX-License-Identifier: GPL-3.0-or-later
"""How loud a layer is, section by section: a list of times and levels, with glides between.

    time,level_db,glide_s
    0,-12
    0:47.5,-6,0.5        # from 47.5 s on; there after half a second
    2:10,off,2

Before the first row the layer plays at its own level, 0 dB. A glide begins at its row's time and
runs evenly in dB; without one it lasts 50 ms, which is too short to hear and long enough not to
click. At time 0 there is nothing to glide from.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dsp.curves import GainCurve
from dsp.tables import Row, Table, number_within, read_table

COLUMNS = ("time", "level_db", "glide_s")
OFF_DB, LOUDEST_DB, LONGEST_S = -120.0, 24.0, 600.0
GLIDE_S = 0.05


@dataclass(frozen=True)
class LevelChange:
    """From `at_s` on, the level goes to `level_db` within `glide_s` seconds."""

    at_s: float
    level_db: float
    glide_s: float


def read_levels(path: Path) -> tuple[LevelChange, ...]:
    """Read a list of levels. Raises `UsageError` or `ListError`, with all its faults."""
    table = read_table(path, COLUMNS, ("time",))
    changes: list[LevelChange] = []
    for row in table.rows:
        change = _change(table, row)
        if change is None:
            continue
        if changes and change.at_s < changes[-1].at_s + changes[-1].glide_s:
            last = changes[-1]
            table.fault(
                row,
                "time",
                f"found {change.at_s:g} s; accepted: times that rise, "
                f"after the last glide, which ends at {last.at_s + last.glide_s:g} s",
            )
        changes.append(change)
    table.check()
    return tuple(changes)


def _change(table: Table, row: Row) -> LevelChange | None:
    faults = len(table.faults)
    at = table.value(row, "time", _time)
    level = table.value(row, "level_db", _level)
    glide = table.value(row, "glide_s", number_within(0.001, LONGEST_S, "s"))
    if len(table.faults) > faults:
        return None
    for column, value in (("time", at), ("level_db", level)):
        if value is None:
            table.fault(row, column, "found nothing; accepted: a value in every row")
    if at is None or level is None:
        return None
    return LevelChange(at, level, GLIDE_S if glide is None else glide)


def _time(text: str) -> float:
    minutes, colon, rest = text.rpartition(":")
    try:
        seconds = number_within(0, 59.999999 if colon else 1e6, "s")(rest)
        return (60 * int(minutes) if colon else 0) + seconds
    except ValueError:
        raise ValueError("seconds, or minutes:seconds, for example 83.5 or 1:23.5") from None


def _level(text: str) -> float:
    return OFF_DB if text.lower() == "off" else number_within(OFF_DB, LOUDEST_DB, "dB")(text)


def level_curve(changes: tuple[LevelChange, ...], rate: int, frames: int) -> GainCurve:
    """The fader's curve over a take."""
    at, db, now = [0], [0.0], 0.0
    for change in changes:
        start = round(change.at_s * rate)
        if start == 0:
            db[0] = change.level_db
        else:
            stop = max(start + round(change.glide_s * rate), start + 1)
            # A glide that starts where the last one ends needs no second point there.
            if start > at[-1]:
                at.append(start)
                db.append(now)
            at.append(stop)
            db.append(change.level_db)
        now = change.level_db
    return GainCurve(rate, frames, np.array(at, dtype=np.int64), np.array(db)[:, None])
