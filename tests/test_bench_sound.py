# SPDX-License-Identifier: GPL-3.0-or-later
"""The sound bench runs from end to end on a take with known truth."""

import csv

import numpy as np
import pytest

from bench import processors, sound
from tests.open_takes import needed, takes


@pytest.fixture(autouse=True)
def _recordings() -> None:
    needed.recordings()


def test_takes_are_chosen_by_set_or_by_part_of_their_name() -> None:
    assert sound.chosen([], "grooves") == takes.names("grooves")
    assert sound.chosen(["flam", "tom_"], "grooves") == ["tom_fills", "tom_unison", "flams"]
    assert sound.chosen(["no such take"], "all") == []


def test_knowing_the_answer_scores_perfectly() -> None:
    take = takes.make("half_time")
    row, _ = sound.measure_take(
        take, lambda top, rate: processors.Treated(take.snare["top"].copy()), None
    )
    assert row["ours"] == np.inf
    assert row["ghosts_kept"] == row["full_kept"] == 1.0
    assert row["ghost_own"] == pytest.approx(0.0, abs=1e-9)
    assert row["gate"] > row["raw"] == pytest.approx(18.0, abs=0.3)
    assert row["ideal_mask"] > row["ideal_gain"] > row["gate"]


def test_drum_and_bleed_are_followed_one_by_one() -> None:
    take = takes.make("half_time")

    def quieter(sound_in: np.ndarray) -> np.ndarray:
        return 0.5 * sound_in

    row, _ = sound.measure_take(
        take, lambda top, rate: processors.Treated(quieter(top), quieter), None
    )
    for key in ("drum_changed", "full_own", "decay_own", "ghost_own"):
        assert row[key] == pytest.approx(-6.02, abs=0.3)
    for key in ("bleed_alone", "gaps", "under"):
        assert row[key] == pytest.approx(6.02, abs=0.01)


def test_command_writes_its_tables(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    given = ["half_time", "--processor", "raw", "--results", str(tmp_path)]
    assert sound.main([*given, "--pictures", str(tmp_path / "pictures")]) == 0
    assert "half_time" in capsys.readouterr().out
    with (tmp_path / "sound.csv").open() as stream:
        row = next(iter(csv.DictReader(stream)))
    assert row["take"] == "half_time"
    assert row["gain"] == "0.0000"
    assert (tmp_path / "sound.md").read_text().count("half_time") == 2
    assert (tmp_path / "pictures" / "half_time.png").stat().st_size > 10_000


def test_wrong_arguments_are_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert sound.main(["no such take"]) == 2
    assert sound.main(["half_time", "--processor", "nonsense"]) == 2
    assert "accepted are" in capsys.readouterr().err
