# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels over time: rows, glides, and every fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dsp.errors import ListError
from dsp.samples.levels_file import OFF_DB, level_curve, read_levels

RATE = 1000


def written(folder: Path, text: str) -> Path:
    path = folder / "levels.csv"
    path.write_text(text)
    return path


def at(path: Path, seconds: float) -> float:
    curve = level_curve(read_levels(path), RATE, 300_000)
    return float(np.interp(seconds * RATE, curve.at, curve.db[:, 0]))


def test_levels_hold_and_glide(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "# verse, chorus, end\ntime,level_db,glide_s\n0,-12\n10 s,−6 dB,2\n"
        "1:30.5,+3,\n2:10,off,4 s\n",
    )
    assert at(path, 0) == at(path, 9.999) == -12
    assert at(path, 11) == pytest.approx(-9)
    assert at(path, 12) == at(path, 90.5) == -6
    assert at(path, 90.525) == pytest.approx(-1.5)
    assert at(path, 91) == 3
    assert at(path, 134) == OFF_DB


def test_before_the_first_row_the_level_is_its_own(tmp_path: Path) -> None:
    path = written(tmp_path, "time,level_db\n5,-20\n")
    assert at(path, 0) == at(path, 5) == 0
    assert at(path, 5.05) == -20


def test_glides_may_follow_each_other_at_once(tmp_path: Path) -> None:
    path = written(tmp_path, "time,level_db,glide_s\n1,-6,1\n2,0,1\n")
    assert at(path, 2) == -6
    assert at(path, 2.5) == -3


def test_no_rows_change_nothing(tmp_path: Path) -> None:
    assert level_curve(read_levels(written(tmp_path, "time,level_db\n")), RATE, 100).neutral


def test_all_faults_are_told_with_their_places(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "time,level_db,glide_s\nsoon,0\n1:75,0\n5,loud\n6,,1\n7,0,9\n8,0\n9,30\n20,0,0\n",
    )
    with pytest.raises(ListError) as refused:
        read_levels(path)
    places = [(fault.line, fault.path) for fault in refused.value.faults]
    assert places == [
        (2, "time"), (3, "time"), (4, "level_db"), (5, "level_db"), (7, "time"), (8, "level_db"),
        (9, "glide_s"),
    ]  # fmt: skip
    assert "after the last glide, which ends at 16 s" in str(refused.value)
