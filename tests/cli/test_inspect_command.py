# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint inspect`: what it reports, and the recipe that it proposes."""

from __future__ import annotations

import json

import numpy as np
import pytest

from dsp.cli.app import run
from dsp.recipe import load_recipe, parse_recipe
from tests.cli import takes


@pytest.fixture
def drum(tmp_path):
    return takes.write(tmp_path / "drum.wav", takes.strokes(3.0))


def inspected(capsys, path):
    assert run(["inspect", str(path), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_json_has_what_it_promises(capsys, drum):
    found = inspected(capsys, drum)
    assert (found["rate"], found["frames"], found["channels"]) == (takes.RATE, 144_000, 1)
    assert set(found) >= {"fundamental_hz", "bleed_dbfs", "rings", "hits", "proposed"}
    for ring in found["rings"]:
        assert set(ring) == {"hz", "t60_s"}
    for hit in found["hits"]:
        assert set(hit) == {"sample", "time_s", "peak_dbfs", "velocity", "ghost"}
        assert hit["time_s"] == pytest.approx(hit["sample"] / takes.RATE)
        assert 1 <= hit["velocity"] <= 127
        assert isinstance(hit["ghost"], bool)


def test_strokes_and_tuning_are_those_of_the_drum(capsys, drum):
    found = inspected(capsys, drum)
    true = np.round(np.arange(0.1, 3.0, 0.25) * takes.RATE)
    assert [hit["sample"] for hit in found["hits"]] == pytest.approx(true, abs=48)
    assert found["fundamental_hz"] == pytest.approx(196, rel=0.03)


@pytest.mark.parametrize("sound", ["silence", "one sample", "constant"])
def test_what_cannot_be_measured_is_null(capsys, tmp_path, sound):
    samples = {
        "silence": np.zeros((4800, 1)),
        "one sample": np.full((1, 1), 0.5),
        "constant": np.full((24_000, 1), 0.25),
    }[sound]
    found = inspected(capsys, takes.write(tmp_path / "x.wav", samples))
    assert found["fundamental_hz"] is None
    if sound == "silence":
        assert found["bleed_dbfs"] is None
        assert found["hits"] == []
    parse_recipe(json.dumps(found["proposed"]))


def test_the_proposed_recipe_is_written_valid_and_renders(capsys, tmp_path, drum):
    recipe = tmp_path / "mine.yaml"
    assert run(["inspect", str(drum), "--write", str(recipe)]) == 0
    assert str(recipe) in capsys.readouterr().out.replace("\n", "")
    assert list(load_recipe(recipe).tracks) == ["drum"]
    assert "# strokes: 12" in recipe.read_text()
    assert run(["check", str(recipe)]) == 0
    assert run(["render", str(recipe), f"drum={drum}", "-o", str(tmp_path / "out")]) == 0


def test_json_and_file_propose_the_same(capsys, tmp_path, drum):
    recipe = tmp_path / "mine.yaml"
    assert run(["inspect", str(drum), "--json", "--write", str(recipe)]) == 0
    proposed = json.loads(capsys.readouterr().out)["proposed"]
    assert parse_recipe(json.dumps(proposed)) == load_recipe(recipe)


def test_an_existing_recipe_stays(capsys, tmp_path, drum):
    recipe = tmp_path / "mine.yaml"
    recipe.write_text("mine")
    assert run(["inspect", str(drum), "--write", str(recipe)]) == 1
    assert str(recipe) in capsys.readouterr().err
    assert recipe.read_text() == "mine"


def test_unusable_audio_ends_with_3(capsys, tmp_path):
    (tmp_path / "text.wav").write_text("no audio")
    assert run(["inspect", str(tmp_path / "text.wav")]) == 3
    assert "first bytes" in capsys.readouterr().err


def test_people_get_a_table_and_a_recipe(capsys, drum):
    assert run(["inspect", str(drum)]) == 0
    told = capsys.readouterr().out
    for word in ("drum.wav", "strokes: 12", "fundamental", "velocity", "Proposed recipe"):
        assert word in told


@pytest.fixture
def tracks(tmp_path):
    return [f"{name}={path}" for name, path in takes.pair(tmp_path).items()]


def test_several_tracks_are_told_with_their_microphones(capsys, tracks):
    assert run(["inspect", *tracks, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) == {"tracks", "microphones"}
    assert list(found["tracks"]) == ["top", "bottom"]
    for each in found["tracks"].values():
        assert set(each) >= {"fundamental_hz", "bleed_dbfs", "rings", "hits", "proposed"}
    (pair,) = found["microphones"]
    assert (pair["track"], pair["against"], pair["sure"]) == ("bottom", "top", True)
    assert (pair["polarity"], pair["delay_samples"]) == ("opposite", 20)
    assert pair["delay_ms"] == pytest.approx(20 / 48)
    assert pair["band_hz"] == [150.0, 600.0]
    sums = pair["sum_db"]
    assert set(sums) == {"as_it_is", "inverted", "aligned", "aligned_inverted"}
    assert sums["aligned_inverted"] == pytest.approx(3.0, abs=0.1)
    assert sums["as_it_is"] < 0 < sums["inverted"]


def test_several_tracks_for_people_fit_a_terminal(capsys, tracks):
    assert run(["inspect", *tracks]) == 0
    told = capsys.readouterr().out
    for word in ("opposite", "20 samples, 0.42 ms", "150 to 600 Hz", "aligned, inverted"):
        assert word in told
    table = [line for line in told.splitlines() if "opposite" in line or "aligned" in line]
    assert all(len(line) <= 80 for line in table)


def test_one_named_track_is_as_one_file(capsys, drum):
    found = inspected(capsys, f"snare={drum}")
    assert list(found["proposed"]["tracks"]) == ["snare"]
    assert "hits" in found


def test_several_files_need_names_one_clock_and_no_recipe(capsys, tmp_path, tracks, drum):
    assert run(["inspect", str(drum), str(drum)]) == 2
    assert "TRACK=FILE" in capsys.readouterr().err
    assert run(["inspect", *tracks, "--write", str(tmp_path / "new.yaml")]) == 2
    assert "--write" in capsys.readouterr().err
    short = takes.write(tmp_path / "short.wav", takes.strokes(1.0))
    assert run(["inspect", *tracks, f"short={short}"]) == 3
    assert "one length" in capsys.readouterr().err
