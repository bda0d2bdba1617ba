# SPDX-License-Identifier: GPL-3.0-or-later
"""`layer` from files to files, and what its check and picture say."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import dsp
from dsp.audio import bext_time_reference, read_track
from dsp.cli.app import run
from dsp.errors import AudioError, OutputError, UsageError
from dsp.samples.layer_check import StrokeCheck, check_data, summary, worst
from dsp.samples.layer_picture import build_figure
from dsp.samples.midi import Note, fixed_tempo, midi_bytes, read_notes
from tests.cli.takes import TIME_REFERENCE, chunks, contents, write
from tests.open_takes import needed, takes
from tests.samples.sets import RATE, make_set

STEMS = ("close.wav", "overhead.wav", "room.wav")


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `set`, `top.wav` and `song.mid`."""
    needed.recordings()
    folder = tmp_path_factory.mktemp("song")
    take = takes.make("backbeat_ghosts")
    make_set(folder / "set", take)
    write(folder / "top.wav", take.tracks["top"][:, None], carried=chunks())
    dsp.follow(folder / "top.wav", folder / "song.mid", samples_from=folder / "set")
    return folder


def laid(song: Path, out: Path, part: Path | None = None, **options: object) -> dsp.LayerReport:
    given = song / "song.mid" if part is None else part
    return dsp.layer(song / "set", given, song / "top.wav", out, **options)  # type: ignore[arg-type]


def test_a_layer_is_stems_like_the_track_a_check_and_a_picture(song: Path, tmp_path: Path) -> None:
    out = tmp_path / "layer"
    report = laid(song, out)
    assert sorted(contents(out)) == sorted([*STEMS, "layer.json", "layer.png"])
    top = read_track(song / "top.wav")
    for name in STEMS:
        stem = read_track(out / name)
        assert (stem.rate, stem.format, stem.samples.shape) == (RATE, top.format, top.samples.shape)
        assert bext_time_reference(stem.chunks) == TIME_REFERENCE
    content = json.loads((out / "layer.json").read_text())
    numbers = content["check"]["summary"]
    assert numbers["strokes"] == len(report.checks) == len(read_notes(song / "song.mid"))
    assert numbers["level_apart_db"] < 0.5
    assert numbers["add_at_fundamental"] == 1.0
    assert content["polarity"] == "as in the set"
    again = tmp_path / "again"
    laid(song, again)
    assert contents(again) == contents(out)


def test_a_layered_stroke_has_the_level_of_its_velocity(song: Path, tmp_path: Path) -> None:
    samples = dsp.load_set(song / "set")
    report = laid(song, tmp_path / "layer")
    for check in report.checks:
        assert check.layer_dbfs == pytest.approx(samples.level_at(check.velocity), abs=0.02)


def test_an_edited_hits_file_may_stand_for_the_midi_file(song: Path, tmp_path: Path) -> None:
    hits = tmp_path / "hits.csv"
    dsp.follow(song / "top.wav", write_hits=hits, samples_from=song / "set")
    by_hits, by_midi = laid(song, tmp_path / "one", hits), laid(song, tmp_path / "two")
    for name in STEMS:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert by_hits.content["song"] == "hits.csv"
    assert by_hits.checks == by_midi.checks


def test_a_level_list_moves_the_stems(song: Path, tmp_path: Path) -> None:
    levels = tmp_path / "levels.csv"
    levels.write_text("time,level_db,glide_s\n0,-6\n4,off,1\n")
    plain = laid(song, tmp_path / "plain")
    faded = laid(song, tmp_path / "faded", levels=levels)
    one = read_track(tmp_path / "plain" / "room.wav").samples
    other = read_track(tmp_path / "faded" / "room.wav").samples
    start = 4 * RATE
    np.testing.assert_allclose(other[:start], 10 ** (-6 / 20) * one[:start], atol=1e-6)
    assert np.abs(other[5 * RATE :]).max() < 1e-5
    first = faded.checks[0]
    assert first.fader_db == -6
    assert first.layer_dbfs == pytest.approx(plain.checks[0].layer_dbfs - 6, abs=0.1)
    assert first.apart_db == pytest.approx(plain.checks[0].apart_db, abs=0.1)


def test_a_layer_that_is_off_is_not_blamed(song: Path, tmp_path: Path) -> None:
    levels = tmp_path / "levels.csv"
    levels.write_text("time,level_db\n0,off\n")
    report = laid(song, tmp_path / "layer", levels=levels)
    assert all(check.fundamental_db is None for check in report.checks)
    assert not any("fundamental" in word for check in report.checks for word in check.wrong)
    assert report.content["check"]["summary"]["add_at_fundamental"] is None


def test_what_was_played_badly_is_told_first(song: Path, tmp_path: Path) -> None:
    notes = read_notes(song / "song.mid")
    loud = next(n for n, note in enumerate(notes) if note.velocity > 100)
    notes[loud] = Note(notes[loud].at, 38, 40)
    missed = notes[loud + 1]
    notes[loud + 1] = Note(missed.at + Fraction(30, 1000), 38, missed.velocity)
    bad = tmp_path / "bad.mid"
    bad.write_bytes(midi_bytes(notes, fixed_tempo(RATE), "bad"))
    report = laid(song, tmp_path / "layer", bad)
    told = report.content["check"]["worst"]
    assert told[0]["number"] == loud + 1
    assert "dB from the real stroke" in told[0]["wrong"][0]
    assert loud + 2 in [stroke["number"] for stroke in told]


def test_notes_that_cannot_be_played_are_told(song: Path, tmp_path: Path) -> None:
    part = tmp_path / "part.mid"
    notes = [
        Note(Fraction(1), 38, 50),
        Note(Fraction(1), 40, 90),
        Note(Fraction(2), 36, 90),
        Note(Fraction(500), 38, 90),
    ]
    part.write_bytes(midi_bytes(notes, fixed_tempo(RATE), "part"))
    report = laid(song, tmp_path / "layer", part)
    assert [(check.sample, check.velocity) for check in report.checks] == [(RATE, 90)]
    assert report.content["remarks"] == [
        "1 notes of other numbers left out (36)",
        "1 notes that start with a louder one left out",
        "1 notes after the end of the take left out",
    ]
    with pytest.raises(UsageError, match="found no note 42, but 36, 38, 40"):
        laid(song, tmp_path / "none", part, notes=(42,))


def test_an_empty_part_gives_silent_stems(song: Path, tmp_path: Path) -> None:
    part = tmp_path / "part.mid"
    part.write_bytes(midi_bytes([], fixed_tempo(RATE), "part"))
    report = laid(song, tmp_path / "layer", part)
    assert report.content["check"]["summary"] == {"strokes": 0}
    assert not read_track(tmp_path / "layer" / "close.wav").samples.any()


def test_nothing_is_overwritten_unless_asked(song: Path, tmp_path: Path) -> None:
    out = tmp_path / "layer"
    out.mkdir()
    (out / "room.wav").write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"room\.wav"):
        laid(song, out)
    assert contents(out) == {"room.wav": b"mine"}
    laid(song, out, overwrite=True)
    assert (out / "room.wav").stat().st_size > 1000


def test_what_does_not_fit_is_refused_and_leaves_nothing(song: Path, tmp_path: Path) -> None:
    other_rate = write(tmp_path / "fast.wav", np.zeros((9600, 1)), rate=96_000)
    out, levels = tmp_path / "layer", tmp_path / "layer.json"
    levels.write_text("time,level_db\n")
    with pytest.raises(AudioError, match="found 96000 Hz; accepted: 48000 Hz"):
        dsp.layer(song / "set", song / "song.mid", other_rate, out)
    with pytest.raises(UsageError, match="reach: found 11 ms"):
        laid(song, out, reach_ms=11)
    with pytest.raises(UsageError, match=r"none\.mid"):
        laid(song, out, tmp_path / "none.mid")
    with pytest.raises(
        UsageError, match=r"top\.wav: found neither MIDI nor text; accepted: a MIDI"
    ):
        laid(song, out, song / "top.wav")
    with pytest.raises(UsageError, match="found an output that is the input"):
        laid(song, levels.parent, levels=levels, overwrite=True)
    assert not out.exists()


def test_the_command_tells_how_well_it_follows(
    song: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    args = ["layer", str(song / "set"), str(song / "song.mid"), f"top={song / 'top.wav'}"]
    out = ["-o", str(tmp_path / "layer")]
    assert run([*args, *out]) == 0
    said = capsys.readouterr().out
    assert "strokes, polarity as in the set" in said
    assert "add to the real stroke" in said
    assert run([*args, *out, "--overwrite", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["layer"] == 1
    assert run([*args, *out]) == 1
    assert run([*args[:3], "top.wav", *out]) == 2


def checked(**changes: object) -> StrokeCheck:
    values: dict[str, object] = {
        "sample": 4800, "velocity": 100, "stage": 6, "alternate": 1, "gain_db": 0.0,
        "delay_samples": 0, "correlation": 0.9, "real_dbfs": -20.0, "layer_dbfs": -20.0,
        "fader_db": 0.0, "apart_db": 0.0, "fundamental_db": 5.0, "in_tail": False,
    }  # fmt: skip
    return StrokeCheck(**(values | changes))  # type: ignore[arg-type]


def test_the_worst_are_sorted_and_said_in_words() -> None:
    checks = [
        checked(),
        checked(apart_db=-2.0),
        checked(fundamental_db=-4.0),
        checked(fundamental_db=-9.0, in_tail=True),
        checked(correlation=0.1, fundamental_db=None),
    ]
    assert worst(checks) == [2, 4, 1]
    said = check_data(checks, RATE)["worst"]
    assert said[0] == {"number": 3, "time_s": 0.1, "wrong": ["−4.0 dB at the fundamental"]}
    numbers = summary(checks)
    assert numbers["add_at_fundamental"] == pytest.approx(2 / 3, abs=1e-4)
    assert numbers["add_at_fundamental_with_tails"] == 0.5
    assert numbers["in_tails"] == 1


def test_the_picture_shows_every_stroke_and_the_worst_close_up() -> None:
    sound = np.random.default_rng(1).standard_normal((RATE, 1)) * 0.1
    checks = [checked(sample=1000 * n, fundamental_db=3.0 - n) for n in range(6)]
    figure = build_figure("a name", checks, sound, 0.5 * sound, RATE)
    drawn = {artist.get_gid(): artist for artist in figure.get_children() if artist.get_gid()}
    assert len(drawn["levels.real"].get_xdata()) == len(drawn["moves"].get_xdata()) == 6
    assert len(drawn["gains.up"].get_segments()) == 4
    assert len(drawn["gains.down"].get_segments()) == 2
    assert {"5 real", "5 layer", "6 real", "6 layer"} <= set(drawn)
    assert "1 real" not in drawn
    build_figure("empty", [], sound, sound, RATE)
