# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint follow` as it is typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dsp.cli.app import run
from dsp.samples.midi import read_notes, tempo_from
from tests.cli.takes import strokes, write


@pytest.fixture
def top(tmp_path: Path) -> Path:
    return write(tmp_path / "top.wav", strokes())


def test_follow_writes_what_was_asked(
    tmp_path: Path, top: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, listed = tmp_path / "song.mid", tmp_path / "hits.csv"
    args = ["follow", str(top), "-o", str(out), "--write-hits", str(listed)]
    assert run([*args, "--bpm", "97.5", "--notes", "37"]) == 0
    said = capsys.readouterr()
    assert "12 strokes" in said.out
    assert "written: song.mid, hits.csv" in said.out
    assert said.err == ""
    assert {note.number for note in read_notes(out)} == {37}
    assert tempo_from(out).tempi == ((0, round(60e6 / 97.5)),)
    assert run([*args]) == 1  # both exist
    assert run([*args, "--overwrite"]) == 0


def test_json_is_one_object(tmp_path: Path, top: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["follow", str(top), "-o", str(tmp_path / "song.mid"), "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["strokes"] == len(content["notes"]) == 12
    assert content["ticks_per_quarter"] == 24_000
    assert list(content["files"]) == ["song.mid"]


def test_faults_of_a_hits_file_are_listed(
    tmp_path: Path, top: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hits = tmp_path / "hits.csv"
    hits.write_text("sample,velocity\n10,0\nx,4\n")
    args = ["follow", str(top), "-o", str(tmp_path / "song.mid"), "--hits", str(hits), "--json"]
    assert run(args) == 2
    said = capsys.readouterr()
    error = json.loads(said.out)["error"]
    assert error["kind"] == "ListError"
    assert [(f["line"], f["path"]) for f in error["faults"]] == [(2, "velocity"), (3, "sample")]
    assert "line 2, velocity" in said.err
    assert not (tmp_path / "song.mid").exists()


@pytest.mark.parametrize("notes", ["", "38,", "snare", "38,40,42"])
def test_wrong_notes_are_told(
    tmp_path: Path, top: Path, notes: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["follow", str(top), "-o", str(tmp_path / "a.mid"), "--notes", notes]) == 2
    assert "accepted: " in capsys.readouterr().err
