# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint cut` as it is typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import dsp
from dsp.cli.app import run
from tests.samples import recordings

LEVELS = [level for level in (-40.0, -32.0, -24.0, -16.0, -8.0, 0.0) for _ in range(3)]


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("tracks")
    files = recordings.write(folder, recordings.played(LEVELS))
    return [f"{name}={path}" for name, path in files.items()]


def test_a_set_is_cut_and_told(tmp_path: Path, tracks, capsys) -> None:
    args = ["cut", *tracks, "-o", str(tmp_path / "drum"), "--stages", "auto"]
    assert run(args) == 0
    said = capsys.readouterr()
    assert "18 strokes found, 12 chosen, 2 microphones" in said.out
    assert "24 WAV files, drum.sfz, set.json" in said.out
    assert said.err == ""
    made = dsp.load_set(tmp_path / "drum")
    assert made.microphones == ("close", "far1")
    assert made.samples[-1].stage == 6
    assert run(args) == 1
    assert "found an existing file" in capsys.readouterr().err
    assert run([*args, "--overwrite"]) == 0


def test_json_lists_every_stroke(tmp_path: Path, tracks, capsys) -> None:
    args = ["cut", *tracks, "-o", str(tmp_path / "drum"), "--stages", "5", "--alternates", "1"]
    assert run([*args, "--lead", "10", "--normalise", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["set"] == json.loads((tmp_path / "drum/set.json").read_text())
    assert told["set"]["lead"] == 10
    assert all(sample["gain_db"] for sample in told["set"]["samples"])
    assert len(told["strokes"]) == 18
    assert sum(stroke["chosen"] for stroke in told["strokes"]) == 5
    starts = {sample["source_sample"] for sample in told["set"]["samples"]}
    assert starts == {stroke["sample"] for stroke in told["strokes"] if stroke["chosen"]}
    assert set(told["files"]) == {path.name for path in (tmp_path / "drum").iterdir()}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--stages", "many"], "found 'many'; accepted: 5 to 10, or auto"),
        (["--stages", "4"], "stages: found 4"),
        (["--alternates", "0"], "alternates: found 0"),
        (["--close", "top"], "accepted: one of close, far1"),
        (["--find-with", "nothing"], "nothing: no such recipe"),
        (["--treat-with", "snare_pair"], "bottom"),
        (["--alternates", "5"], "or fewer --stages or --alternates"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, tracks, capsys, more, said) -> None:
    assert run(["cut", *tracks, "-o", str(tmp_path / "drum"), *more]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "drum").exists()


def test_recipes_are_taken(tmp_path: Path, tracks) -> None:
    out = str(tmp_path / "drum")
    recipes = ["--find-with", "preclean", "--treat-with", "preclean"]
    assert run(["cut", *tracks, "-o", out, "--stages", "5", *recipes]) == 0


def test_from_python(tmp_path: Path, tracks) -> None:
    files = {name: Path(path) for name, _, path in (track.partition("=") for track in tracks)}
    report = dsp.cut(files, tmp_path / "drum", stages=6)
    assert isinstance(report, dsp.CutReport)
    assert isinstance(report.samples, dsp.SampleSet)
    assert dsp.load_set(tmp_path / "drum") == report.samples
