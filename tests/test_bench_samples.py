# SPDX-License-Identifier: GPL-3.0-or-later
"""The bench of parts and layers runs on a take with known truth, and fills its tables."""

from pathlib import Path

from bench import samples
from tests.open_takes import needed, takes
from tests.samples.sets import full_level


def test_a_take_is_measured_in_every_column(tmp_path: Path) -> None:
    needed.recordings()
    take = takes.make("half_time")
    row = samples.follow_row(take, full_level(take)) | samples.layer_row(take, tmp_path)
    assert set(row) == {*samples.FOLLOW.columns, *samples.LAYER.columns}
    assert row["f_1"] <= row["f_2"] <= 1
    assert row["velocity"] > 0.8
    assert row["level"] < 0.5
    assert row["adds"] == 1
