# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes that are built on others, from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dsp.cli.app import run
from tests.cli import takes

BASE = """\
drumprint: 1
settings: {share: 60 %, reduction: 12 dB}
tracks:
  top: {steps: [suppress_bleed: {reduction: $reduction}, ride_level: {share: $share}]}
  bottom: {key: top, steps: []}
"""
SONG = """\
drumprint: 1
from: base.yaml
with: {share: 80 %}
groups: {snare: {of: [top, bottom]}}
"""


@pytest.fixture
def song(tmp_path: Path) -> Path:
    takes.pair(tmp_path)
    (tmp_path / "base.yaml").write_text(BASE)
    (tmp_path / "song.yaml").write_text(SONG)
    return tmp_path / "song.yaml"


def render(song: Path, recipe: Path, out: str) -> dict[str, bytes]:
    files = [f"{name}={song.parent / f'{name}_in.wav'}" for name in ("top", "bottom")]
    assert run(["render", str(recipe), *files, "-o", str(song.parent / out)]) == 0
    return takes.contents(song.parent / out)


def test_what_it_resolves_to_is_plain_and_gives_the_same_bytes(song):
    first = render(song, song, "first")
    resolved = first["resolved.yaml"].decode()
    assert "share: 80 %" in resolved
    assert not any(word in resolved for word in ("from", "with", "settings", "$", "auto"))
    assert render(song, song.parent / "first" / "resolved.yaml", "second") == first


def test_check_says_what_it_is_built_on(song, capsys):
    assert run(["check", str(song)]) == 0
    said = capsys.readouterr().out
    assert f"song.yaml, built on {song.parent / 'base.yaml'}, is valid. top: suppress_" in said
    assert run(["check", str(song), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["built_on"] == [str(song.parent / "base.yaml")]


def test_faults_name_the_other_file(song, capsys):
    (song.parent / "base.yaml").write_text(BASE.replace("steps: []", "stps: []"))
    song.write_text(SONG.replace("80 %", "80 Hz"))
    assert run(["check", str(song), "--json"]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert [(fault["file"], fault["line"], fault["path"]) for fault in error["faults"]] == [
        ("", 3, "with.share"),
        (str(song.parent / "base.yaml"), 5, "tracks.bottom.steps"),
        (str(song.parent / "base.yaml"), 5, "tracks.bottom.stps"),
    ]
    assert "line 3, with.share: found '80 Hz', unit 'Hz'" in error["message"]
    assert f"{song.parent / 'base.yaml'}, line 5, tracks.bottom.stps" in error["message"]
