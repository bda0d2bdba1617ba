# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint demo`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dsp.audio import bext_time_reference, read_track
from dsp.cli.app import run
from dsp.demo import make_demo
from dsp.samples.sample_set import load_set
from tests.cli import takes

SECONDS = 3.0


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "take"
    assert run(["demo", str(folder), "--seconds", str(SECONDS)]) == 0
    return folder


def test_the_take_is_24_bit_with_a_time_reference(demo):
    for name in ("top", "bottom", "overhead", "room"):
        track = read_track(demo / f"{name}.wav")
        assert track.format.subtype == "pcm24"
        assert bext_time_reference(track.chunks) == 36_000 * 48_000
        assert len(track.samples) == SECONDS * 48_000


def test_the_files_hold_the_demo_take(demo):
    true = make_demo(SECONDS).take.tracks["top"]
    assert np.abs(read_track(demo / "top.wav").samples - true).max() <= 2.0**-23


def test_the_snare_is_printed(demo):
    assert {"top.wav", "bottom.wav", "top.lanes.png", "print.json"} <= set(
        takes.contents(demo / "print")
    )
    assert json.loads((demo / "print/print.json").read_bytes())["tracks"]["bottom"]["key"] == "top"


def test_single_strokes_are_there_with_their_truth_and_can_be_cut(demo, tmp_path):
    truth = json.loads((demo / "singles/strokes.json").read_text())["strokes"]
    names = ("top", "overhead", "room")
    args = [f"{name}={demo / 'singles' / name}.wav" for name in names]
    assert run(["cut", *args, "-o", str(tmp_path / "snare")]) == 0
    made = load_set(tmp_path / "snare")
    assert len(made.samples) == 14
    for sample in made.samples:
        (true,) = [s for s in truth if abs(s["arrival"]["top"] - sample.source_sample) <= 1]
        assert true["kind"] == "single"


def test_a_second_demo_needs_overwrite(demo, capsys):
    before = takes.contents(demo / "print")
    assert run(["demo", str(demo), "--seconds", str(SECONDS)]) == 1
    assert "existing file" in capsys.readouterr().err
    assert run(["demo", str(demo), "--seconds", str(SECONDS), "--overwrite"]) == 0
    assert takes.contents(demo / "print") == before


def test_the_default_folder_is_demo_take(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(["demo", "--seconds", "1", "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)["tracks"]) == {"top", "bottom"}
    assert (tmp_path / "demo-take/print/top.wav").exists()


def test_examples_are_small_and_hold_the_print(tmp_path):
    assert run(["demo", "--examples", str(tmp_path / "examples")]) == 0
    files = takes.contents(tmp_path / "examples")
    assert sum(len(content) for content in files.values()) < 10_000_000
    raw, rate = sf.read(tmp_path / "examples/top.raw.flac")
    printed, _ = sf.read(tmp_path / "examples/top.print.flac")
    assert rate == 48_000
    assert raw.shape == printed.shape
    assert not np.array_equal(raw, printed)
    assert {"top.lanes.png", "bottom.lanes.png", "README.md", "resolved.yaml"} <= set(files)
    about = files["README.md"].decode()
    assert all(name == "README.md" or f"`{name}`" in about for name in files)
