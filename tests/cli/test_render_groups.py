# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups from files to files: what is written, the same at every run, and refused in time."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from dsp.audio import SampleFormat, bext_time_reference, read_track
from dsp.cli.app import run
from dsp.recipe import load_recipe
from tests.cli import takes

RECIPE = """\
drumprint: 1
tracks:
  top: {steps: [ride_level: {share: 60 %}]}
  bottom: {key: top, steps: [level: {gain: -3 dB}]}
  room: {key: top, steps: []}
groups:
  snare:
    of: {top: 0 dB, bottom: -2 dB}
    steps:
      - suppress_bleed
      - blend: {level: -9 dB, steps: [gate: {range: 30 dB}]}
  all: {of: [snare, room]}
"""
NAMES = ("top", "bottom", "room", "snare", "all")


def render(folder: Path, out: str, recipe: str = "groups.yaml", *options: str) -> Path:
    files = [f"{name}={folder / f'{name}_in.wav'}" for name in NAMES[:3]]
    assert run(["render", str(folder / recipe), *files, "-o", str(folder / out), *options]) == 0
    return folder / out


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("take")
    takes.pair(folder)
    room = 0.3 * np.repeat(np.roll(takes.strokes(), 300, axis=0), 2, axis=1)
    takes.write(folder / "room_in.wav", room)
    (folder / "groups.yaml").write_text(RECIPE)
    render(folder, "print")
    return folder


def test_a_group_prints_like_a_track(done):
    names = {f"{name}.{end}" for name in NAMES for end in ("wav", "lanes.png", "curves.npz")}
    assert set(takes.contents(done / "print")) == names | {"print.json", "resolved.yaml"}
    with np.load(done / "print" / "snare.curves.npz") as curves:
        assert {"1 suppress_bleed.db", "2 blend.db", "2 blend/1 gate.db", "rate"} <= set(curves)


def test_two_runs_workers_and_the_resolved_recipe_give_the_same_bytes(done):
    first = takes.contents(done / "print")
    assert takes.contents(render(done, "again")) == first
    assert takes.contents(render(done, "two", "groups.yaml", "--jobs", "2")) == first
    resolved = takes.contents(render(done, "resolved", "print/resolved.yaml"))
    assert resolved == first
    assert "auto" not in (done / "print" / "resolved.yaml").read_text()


def test_a_group_takes_format_and_metadata_of_its_first_track(done):
    snare, every = (read_track(done / "print" / f"{name}.wav") for name in ("snare", "all"))
    top = read_track(done / "top_in.wav")
    for group in (snare, every):
        assert group.format == top.format == SampleFormat("wav", "pcm24")
        assert bext_time_reference(group.chunks) == takes.TIME_REFERENCE
    assert (snare.samples.shape[1], every.samples.shape[1]) == (1, 2)


def test_sums_are_made_before_members_are_rounded_to_their_formats(done, tmp_path):
    sixteen = {
        name: takes.write(tmp_path / f"{name}.wav", take, subtype="pcm16")
        for name, take in (("a", takes.strokes(1.0)), ("b", takes.strokes(1.0, seed=2)))
    }
    recipe = tmp_path / "r.yaml"
    recipe.write_text(
        "drumprint: 1\ntracks:\n  a: {steps: [level: {gain: -30 dB}]}\n  b: {steps: []}\n"
        "groups: {sum: {of: [a, b], steps: [level: {gain: -1 dB}]}}\n"
    )
    files = [f"{name}={path}" for name, path in sixteen.items()]
    assert run(["render", str(recipe), *files, "-o", str(tmp_path / "out")]) == 0
    a, b = (read_track(path).samples for path in sixteen.values())
    exact = (a * 10 ** (-30 / 20) + b) * 10 ** (-1 / 20)
    found = read_track(tmp_path / "out" / "sum.wav").samples
    assert np.abs(found - exact).max() <= 1.5 / 2**15  # rounding and dither, once


def test_the_sheet_says_what_a_group_is(done):
    sheet = json.loads((done / "print" / "print.json").read_text())
    assert list(sheet["tracks"]) == ["top", "bottom", "room"]
    assert list(sheet["groups"]) == ["snare", "all"]
    snare = sheet["groups"]["snare"]
    assert snare["of"] == {"top": 0.0, "bottom": -2.0}
    assert (snare["format_of"], snare["key"], snare["channels"]) == ("top_in.wav", "top", 1)
    assert [step["step"] for step in snare["steps"]] == ["suppress_bleed", "blend"]
    (inner,) = snare["steps"][1]["inner"]
    assert inner["step"] == "gate"
    assert isinstance(inner["settings"]["open_at"], str)
    assert inner["settings"] == snare["steps"][1]["settings"]["steps"][0]["gate"]
    assert sheet["groups"]["all"]["channels"] == 2


def test_check_tells_groups(done, capsys):
    assert run(["check", str(done / "groups.yaml")]) == 0
    assert "snare (top + bottom): suppress_bleed, blend" in capsys.readouterr().out
    assert run(["check", str(done / "groups.yaml"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["groups"]["all"] == {"of": ["snare", "room"], "steps": []}


def test_channels_that_do_not_fit_are_refused_before_anything_is_read(done, tmp_path, capsys):
    three = takes.write(tmp_path / "three.wav", np.repeat(takes.strokes(), 3, axis=1))
    files = [f"top={three}", f"bottom={done / 'bottom_in.wav'}", f"room={done / 'room_in.wav'}"]
    status = run(["render", str(done / "groups.yaml"), *files, "-o", str(tmp_path / "out")])
    assert status == 3
    assert "group all: found channels that do not fit: snare with 3, room with 2" in (
        capsys.readouterr().err
    )
    assert not (tmp_path / "out").exists()


def test_a_printed_sample_is_a_member_like_any_track(done, tmp_path):
    # a stem that was printed before is a track without steps
    recipe = tmp_path / "stem.yaml"
    recipe.write_text(
        "drumprint: 1\ntracks: {top: {steps: []}, stem: {key: top, steps: []}}\n"
        "groups: {sum: {of: [top, stem]}}\n"
    )
    stem = done / "print" / "snare.wav"
    files = [f"top={done / 'top_in.wav'}", f"stem={stem}"]
    assert run(["render", str(recipe), *files, "-o", str(tmp_path / "out")]) == 0
    whole = read_track(done / "top_in.wav").samples + read_track(stem).samples
    assert np.array_equal(
        read_track(tmp_path / "out" / "sum.wav").samples, np.clip(whole, -1, 1 - 2**-23)
    )
    assert load_recipe(recipe).groups["sum"].of == {"top": 0.0, "stem": 0.0}
