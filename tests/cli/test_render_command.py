# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint render`: what it writes, and that it always writes the same."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest

from dsp.audio import bext_time_reference, read_track
from dsp.cli.app import run
from tests.cli import takes


def render(folder: Path, out: str, recipe: str = "pair.yaml", *options: str) -> Path:
    files = [f"{name}={folder / f'{name}_in.wav'}" for name in ("top", "bottom")]
    status = run(["render", str(folder / recipe), *files, "-o", str(folder / out), *options])
    assert status == 0
    return folder / out


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("take")
    takes.pair(folder)
    render(folder, "print")
    return folder


def test_writes_every_file_of_a_print(done):
    names = {
        f"{track}.{end}"
        for track in ("top", "bottom")
        for end in ("wav", "lanes.png", "curves.npz")
    }
    assert set(takes.contents(done / "print")) == names | {"print.json", "resolved.yaml"}


def test_inputs_are_not_touched(tmp_path):
    files = takes.pair(tmp_path)
    before = {name: path.read_bytes() for name, path in files.items()}
    render(tmp_path, "print")
    assert {name: path.read_bytes() for name, path in files.items()} == before


def test_two_runs_give_the_same_bytes(done):
    assert takes.contents(render(done, "again")) == takes.contents(done / "print")


def test_workers_change_no_byte(done):
    assert takes.contents(render(done, "two", "pair.yaml", "--jobs", "2")) == takes.contents(
        done / "print"
    )


def test_the_resolved_recipe_repeats_the_print(done):
    again = render(done, "resolved", "print/resolved.yaml")
    assert takes.contents(again) == takes.contents(done / "print")


def test_metadata_and_sample_format_survive(done):
    before, after = read_track(done / "top_in.wav"), read_track(done / "print/top.wav")
    assert after.chunks == before.chunks
    assert bext_time_reference(after.chunks) == takes.TIME_REFERENCE
    assert (after.format, after.rate, after.samples.shape) == (
        before.format,
        before.rate,
        before.samples.shape,
    )


def test_polarity_and_delay_reach_the_file(done):
    recipe = done / "move.yaml"
    recipe.write_text(
        "drumprint: 1\ntracks: {x: {steps: [level: {polarity: invert, delay: 5 samples}]}}\n"
    )
    source = read_track(done / "top_in.wav").samples
    assert run(["render", str(recipe), f"x={done / 'top_in.wav'}", "-o", str(done / "moved")]) == 0
    moved = read_track(done / "moved/x.wav").samples
    assert np.array_equal(moved[5:], -source[:-5])
    assert not moved[:5].any()


@pytest.mark.parametrize("subtype", ["pcm16", "pcm24", "pcm32", "float32", "float64"])
def test_a_neutral_recipe_returns_every_bit(tmp_path, subtype):
    source = takes.write(
        tmp_path / "in.wav", takes.strokes(1.0), subtype=subtype, carried=takes.chunks()
    )
    (tmp_path / "neutral.yaml").write_text(takes.NEUTRAL)
    arguments = ["render", str(tmp_path / "neutral.yaml"), f"top={source}"]
    assert run([*arguments, "-o", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out/top.wav").read_bytes() == source.read_bytes()


def test_the_sheet_tells_what_was_done(done):
    sheet = json.loads((done / "print/print.json").read_bytes())
    top = sheet["tracks"]["top"]
    assert top["input"]["file"] == "top_in.wav"
    assert top["input"]["sha256"] == read_track(done / "top_in.wav").sha256
    assert [step["step"] for step in top["steps"]] == ["ride_level", "level"]
    assert top["steps"][1]["settings"]["gain"] == "-2 dB"
    assert sheet["tracks"]["bottom"]["key"] == "top"
    assert set(sheet["files"]) == set(takes.contents(done / "print")) - {"print.json"}
    assert str(done) not in json.dumps(sheet)


def test_json_is_one_object_and_nothing_else(done, capsys):
    render(done, "json", "pair.yaml", "--json")
    printed = capsys.readouterr()
    assert json.loads(printed.out) == json.loads((done / "json/print.json").read_bytes())


def test_the_summary_names_tracks_and_folder(done, capsys):
    folder = render(done, "told")
    told = capsys.readouterr().out.replace("\n", "")
    assert all(word in told for word in ("top", "bottom", "highest peak", str(folder)))


def test_the_picture_shows_the_part_that_was_asked_for(done):
    part = takes.contents(render(done, "part", "pair.yaml", "--from", "0.5", "--to", "0:01.5"))
    whole = takes.contents(done / "print")
    assert part["top.lanes.png"] != whole["top.lanes.png"]
    assert part["top.wav"] == whole["top.wav"]


def test_overwrite_replaces_an_earlier_print(done):
    folder = render(done, "over")
    before = takes.contents(folder)
    assert takes.contents(render(done, "over", "pair.yaml", "--overwrite")) == before


def test_a_recipe_with_one_track_takes_any_name(done, capsys):
    (done / "one.yaml").write_text(takes.ONE)
    arguments = ["render", str(done / "one.yaml"), f"my snare={done / 'top_in.wav'}"]
    assert run([*arguments, "-o", str(done / "any")]) == 0
    assert (done / "any/my snare.wav").exists()
    assert "my snare:" in (done / "any/resolved.yaml").read_text()


ODD = {
    "silence": np.zeros((4800, 1)),
    "one sample": np.full((1, 1), 0.5),
    "two samples": np.array([[0.5], [-0.5]]),
    "constant": np.full((24_000, 1), 0.25),
    "full scale": np.where(takes.strokes(1.0) > 0, 0.99999988, -1.0),
    "noise": 0.1 * np.random.default_rng(3).standard_normal((24_000, 1)).clip(-3, 3),
    "stroke at the start": takes.strokes(1.0, first=0.0),
    "stroke cut by the end": takes.strokes(0.36, first=0.1),
    "three channels": np.repeat(takes.strokes(1.0), 3, axis=1),
}


@pytest.mark.parametrize("kind", ODD)
@pytest.mark.parametrize("recipe", ["snare_top", "snare_bottom", "preclean"])
def test_odd_but_usable_input_is_printed(tmp_path, kind, recipe):
    source = takes.write(tmp_path / "in.wav", ODD[kind])
    assert run(["render", recipe, f"x={source}", "-o", str(tmp_path / "out")]) == 0
    after = read_track(tmp_path / "out/x.wav")
    assert after.samples.shape == ODD[kind].shape
    if kind == "silence":
        assert not after.samples.any()
    sheet = json.loads((tmp_path / "out/print.json").read_bytes())
    if kind in {"silence", "one sample", "two samples"}:
        assert sheet["tracks"]["x"]["strokes"]["count"] in {0, 1}
        assert sheet["tracks"]["x"]["notes"] or sheet["tracks"]["x"]["strokes"]["count"] == 1
    if kind == "full scale":
        assert any("clipped" in note for note in sheet["tracks"]["x"]["notes"])


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_other_rates_are_printed(tmp_path, rate):
    source = takes.write(tmp_path / "in.wav", takes.strokes(1.0, rate), rate)
    assert run(["render", "snare_top", f"x={source}", "-o", str(tmp_path / "out")]) == 0
    assert read_track(tmp_path / "out/x.wav").rate == rate


def test_clipping_on_output_is_counted_and_told(tmp_path, capsys):
    (tmp_path / "loud.yaml").write_text(takes.ONE.replace("-3 dB", "24 dB"))
    source = takes.write(tmp_path / "in.wav", takes.strokes(1.0))
    assert (
        run(["render", str(tmp_path / "loud.yaml"), f"x={source}", "-o", str(tmp_path / "o")]) == 0
    )
    sheet = json.loads((tmp_path / "o/print.json").read_bytes())
    samples = read_track(source).samples * 10 ** (24 / 20)
    beyond = int((samples >= 1 - 2.0**-24).sum() + (samples < -1 - 2.0**-24).sum())
    assert sheet["tracks"]["x"]["output"]["clipped"] == beyond > 0
    told = " ".join(capsys.readouterr().out.split())
    assert "the output clips" in told
    less = int(re.search(r"gain: -(\d+) dB", told)[1])
    assert (
        np.abs(samples).max() * 10 ** (-less / 20)
        < 1
        < np.abs(samples).max() / 10 ** ((less - 1) / 20)
    )


def test_strokes_may_be_given_and_the_resolved_recipe_repeats_the_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files, hits = takes.pair(tmp_path), tmp_path / "hits.csv"
    assert run(["follow", str(files["top"]), "--write-hits", str(hits)]) == 0
    lines = hits.read_text().splitlines()
    hits.write_text("\n".join(lines[:-2]) + "\n")
    tracks = [f"{name}={path}" for name, path in files.items()]
    given = ["--hits", f"top={hits}"]
    first, second = tmp_path / "first", tmp_path / "second"
    assert run(["render", str(tmp_path / "pair.yaml"), *tracks, "-o", str(first), *given]) == 0
    assert "strokes as hits.csv gives them" in capsys.readouterr().out
    again = ["render", str(first / "resolved.yaml"), *tracks, "-o", str(second)]
    assert run([*again, *given]) == 0
    assert takes.contents(first) == takes.contents(second)
    sheet = json.loads((first / "print.json").read_text())
    strokes = sheet["tracks"]["bottom"]["strokes"]  # keyed by the top
    assert strokes["count"] == 10
    assert strokes["given_by"] == {
        "file": "hits.csv",
        "sha256": hashlib.sha256(hits.read_bytes()).hexdigest(),
    }


def test_wrong_hits_are_told_before_anything_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files, hits = takes.pair(tmp_path), tmp_path / "hits.csv"
    hits.write_text("sample\n9999999\n")
    tracks = [f"{name}={path}" for name, path in files.items()]
    args = ["render", str(tmp_path / "pair.yaml"), *tracks, "-o", str(tmp_path / "out")]
    assert run([*args, "--hits", f"top={hits}"]) == 2
    assert "line 2, sample: found '9999999'" in capsys.readouterr().err
    assert run([*args, "--hits", f"room={hits}"]) == 2
    assert "hits of room: no such track; accepted: top, bottom" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
